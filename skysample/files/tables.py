"""Tables on disk: ECSV, or CSV with the same columns; errors name the row, and files are written whole."""

from __future__ import annotations

import csv
import io
import os
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import msgspec
import numpy as np

from skysample.astrometry.times import iso, utc_from_jd, utc_from_text
from skysample.errors import InputError
from skysample.files.whole_files import check_format, declared_format, read_text, write_whole

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping, Sequence

    from astropy.table import Table

    Refusal = partial[InputError]

_UNITS = {"_deg": "deg", "_arcsec": "arcsec", "_arcmin": "arcmin", "_c": "deg_C", "_hpa": "hPa", "_s": "s"}


def as_float(cell: str) -> float:
    """Read a number; unlike `float`, refuse underscores and digits of other scripts.

    Raises
    ------
    ValueError
        If it is not a number.
    """
    return float(_plain_digits(cell))


def as_bool(cell: str) -> bool:
    """Read a truth value: true or false in any case, 1 or 0.

    Raises
    ------
    ValueError
        If it is neither.
    """
    truth = {"true": True, "1": True, "false": False, "0": False}.get(cell.lower())
    if truth is None:
        raise ValueError(cell)
    return truth


def _as_int(cell: str) -> int:
    number = int(_plain_digits(cell))
    if not -(2**63) <= number < 2**63:
        raise ValueError(cell)
    return number


def _plain_digits(cell: str) -> str:
    if "_" in cell or not cell.isascii():
        raise ValueError(cell)
    return cell


_DATATYPES: dict[str, tuple[Callable[[str], Any], Any, str]] = {
    "float": (as_float, np.float64, "a number"),
    "int": (_as_int, np.int64, "a whole number"),
    "uint": (_as_int, np.int64, "a whole number"),
    "bool": (as_bool, np.bool_, "true or false"),
}


class _DeclaredColumn(msgspec.Struct):
    name: str
    datatype: str
    unit: Any = None
    subtype: Any = None


class _Header(msgspec.Struct):
    """The part of an ECSV header that is read."""

    datatype: list[_DeclaredColumn]
    meta: dict[Any, Any] | None = None
    delimiter: Any = " "


@dataclass(frozen=True)
class FileTable:
    """The columns of a file, for `skysample.files.columns.Columns`; only `table` loads astropy.table.

    Attributes
    ----------
    columns : dict of str to ndarray, numpy.ma.MaskedArray or astropy.time.Time
        Empty cells are masked.
    units : dict of str to str
        Units of the columns that have one.
    meta : dict
        Metadata.
    """

    columns: dict[str, Any]
    units: dict[str, str]
    meta: dict[str, Any]

    @property
    def colnames(self) -> list[str]:
        """Names of the columns."""
        return list(self.columns)

    def __getitem__(self, name: str) -> Any:
        return self.columns[name]

    def __len__(self) -> int:
        return len(next(iter(self.columns.values())))

    def table(self) -> Table:
        """Copy into an astropy Table."""
        from astropy.table import Table

        return Table(self.columns, units=self.units, meta=self.meta)


def read_table(
    path: str | os.PathLike[str],
    *,
    text: Collection[str] = (),
    expected: str | None = None,
    version: int = 1,
    undeclared: bool = False,
) -> FileTable:
    """Read a table file.

    Parameters
    ----------
    path : path-like
        ECSV (first line ``# %ECSV``), or CSV with one line of column names.
    text : collection of str
        Columns of a CSV that stay text even if every cell looks like a number.
    expected : str, optional
        The format that the file has to declare in its metadata.
    version : int
        The newest version of that format that can be read.
    undeclared : bool
        Whether to accept a file that declares no format (made by other software, or a CSV).

    Returns
    -------
    FileTable
        Plain columns, with units if the file gives them; empty cells masked; times as text or as `Time`.

    Raises
    ------
    InputError
        Names the row and the column.
    """
    name = os.fspath(path)
    content, refusal = read_text(path), partial(InputError, file=name)
    if not content.strip():
        raise refusal("is empty; name a table with a header and data rows")
    header = _ecsv_header(content, refusal) if content.startswith("# %ECSV") else None
    if header is None and (other := declared_format(content)) is not None:
        raise refusal(f"is a {other} file, not a table; name a table")
    meta = {} if header is None else {str(key): value for key, value in (header.meta or {}).items()}
    if expected is not None and not (undeclared and "format" not in meta):
        check_format(meta, expected, version, name)
    names, rows = _cells(content, "," if header is None else header.delimiter, refusal)
    cells = {column: [row[place] for row in rows] for place, column in enumerate(names)}
    if header is None:
        return FileTable({column: _guess(values, column in text) for column, values in cells.items()}, {}, {})
    return _declared_table(cells, header.datatype, meta, refusal)


def _ecsv_header(content: str, refusal: Refusal) -> _Header:
    lines = []
    for line in content.split("\n"):
        if not line.startswith("#"):
            break
        lines.append(line[1:].removeprefix(" ").rstrip("\r"))
    try:
        header = msgspec.convert(_from_yaml(lines[1:]), _Header)
    except Exception as error:  # noqa: BLE001 - the YAML reader raises many kinds; each means the same here
        reason = " ".join(str(error).split()) or type(error).__name__
        raise refusal(
            f"its ECSV header cannot be read ({reason:.120}); correct the lines starting with #, which give name and"
            " datatype of each column"
        ) from None
    if header.delimiter not in (" ", ","):
        raise refusal(f"its delimiter is {header.delimiter!r}; write a blank or a comma")
    return header


def _from_yaml(lines: list[str]) -> Any:
    """Parse an ECSV header, with astropy's parser (slow to load) only if it has astropy's tags."""
    import yaml

    def mapping(loader: Any, node: Any) -> dict[Any, Any]:
        pairs = (loader.construct_mapping(entry, deep=True).items() for entry in node.value)
        return {key: value for items in pairs for key, value in items}

    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)("\n".join(lines))
    loader.yaml_constructors = {**loader.yaml_constructors, "tag:yaml.org,2002:omap": mapping}
    try:
        return loader.get_single_data()
    except yaml.constructor.ConstructorError:
        from astropy.table.meta import get_header_from_yaml

        return get_header_from_yaml(lines)


def _cells(content: str, delimiter: str, refusal: Refusal) -> tuple[list[str], list[list[str]]]:
    lines = (line.strip(" \r\n") + "\n" for line in io.StringIO(content) if not line.lstrip().startswith("#"))
    reader = csv.reader(lines, delimiter=delimiter, skipinitialspace=True, strict=True)
    rows: list[list[str]] = []
    try:
        # One by one, so that the rows before a bad one can be counted.
        rows.extend(
            [field.strip() for field in fields] for fields in reader if any(fields) or len(fields) > 1
        )
    except csv.Error as error:
        raise refusal(f"is not a table ({error}); save it as CSV or ECSV", row=max(len(rows), 1)) from None
    if not rows:
        raise refusal("has no line of column names; name a table with a header and data rows")
    names = rows.pop(0)
    for column in names:
        if not column or not column.isprintable():
            raise refusal("a column has no name; correct the header line")
        if names.count(column) > 1:
            raise refusal(f"column {column!r:.60} is there twice; keep one", key=column)
    for number, row in enumerate(rows, start=1):
        if len(row) != len(names):
            what = f"has {len(row)} cells where the header has {len(names)} columns; correct the row"
            raise refusal(what, row=number)
    return names, rows


def _declared_table(
    cells: dict[str, list[str]], declared: list[_DeclaredColumn], meta: dict[str, Any], refusal: Refusal
) -> FileTable:
    if [entry.name for entry in declared] != list(cells):
        raise refusal("the line of column names and the ECSV header disagree; make them the same")
    mixins = meta.pop("__serialized_columns__", {})
    columns: dict[str, Any] = {}
    for entry in declared:
        datatype = entry.datatype if entry.subtype is None else "string"
        columns[entry.name] = _convert(cells[entry.name], datatype, entry.name, refusal)
    for column, recipe in mixins.items() if isinstance(mixins, dict) else ():
        if isinstance(recipe, dict) and recipe.get("__class__") == "astropy.time.core.Time":
            _restore_time(columns, str(column), recipe, refusal)
    units = {entry.name: str(entry.unit) for entry in declared if entry.unit is not None}
    return FileTable(columns, units, meta)


def _convert(values: list[str], datatype: str, column: str, refusal: Refusal) -> Any:
    convert, kind, what = _DATATYPES.get(datatype.rstrip("0123456789"), (str, str, "text"))
    cells: list[Any] = []
    for number, cell in enumerate(values, start=1):
        try:
            cells.append(convert(cell) if cell else None)
        except ValueError:
            fault = f"{column} is {cell!r:.60}, not {what}; correct it"
            raise refusal(fault, row=number, key=column) from None
    return _column(cells, kind)


def _guess(values: list[str], is_text: bool) -> Any:
    for convert, kind in ((_as_int, np.int64), (as_float, float)) if not is_text else ():
        try:
            cells = [convert(cell) if cell else None for cell in values]
        except ValueError:
            continue
        return _column(cells, kind)
    return _column(values, str)


def _column(cells: Sequence[Any], kind: Any) -> Any:
    missing = np.array([cell is None or cell == "" for cell in cells], dtype=bool)
    filler = np.zeros((), dtype=kind).item()
    data = np.array([filler if gone else cell for gone, cell in zip(missing, cells, strict=True)], dtype=kind)
    return np.ma.MaskedArray(data, missing) if missing.any() else data


def _restore_time(columns: dict[str, Any], column: str, recipe: dict[str, Any], refusal: Refusal) -> None:
    """Restore a serialized `Time`, without astropy's warnings about dates years ahead."""
    scale, form = str(recipe.get("scale", "utc")), str(recipe.get("format", ""))
    parts = [
        columns.get(str(recipe[key].get("name")))
        for key in ("value", "jd1", "jd2")
        if isinstance(recipe.get(key), dict)
    ]
    if any(part is None or np.ma.is_masked(part) for part in parts):
        raise refusal(f"{column} has no time in some row; give every row one", key=column)
    data = [np.asarray(part) for part in parts]
    numbers = [value for value in data if value.dtype.kind == "f" and np.all(np.isfinite(value))]
    origin = {"jd": 0.0, "mjd": 2400000.5}.get(form)
    if len(data) == 1 and data[0].dtype.kind == "U":
        texts, rows = [str(text) for text in data[0]], range(1, len(data[0]) + 1)
        columns[column] = utc_from_text(texts, scale, file=refusal.keywords["file"], rows=rows, key=column)
    elif len(numbers) == 1 and len(data) == 1 and origin is not None:
        columns[column] = utc_from_jd(numbers[0], origin, scale)
    elif len(numbers) == 2:
        columns[column] = utc_from_jd(numbers[0], numbers[1], scale)
    else:
        fault = f"{column} holds times in a format that cannot be read ({form}); write ISO 8601 text"
        raise refusal(fault, key=column)


def table_of(columns: Mapping[str, Iterable[Any]], meta: Mapping[str, Any] | None = None) -> Table:
    """Build a plain table from columns of plain values.

    Parameters
    ----------
    columns : mapping of str to iterable
        Numbers, text or truth values; None is an empty cell. The ending of a name gives the unit.
    meta : mapping, optional
        Metadata.

    Returns
    -------
    astropy.table.Table
    """
    built: dict[str, Any] = {}
    units: dict[str, str] = {}
    for name, values in columns.items():
        cells = list(values)
        kinds = {type(cell) for cell in cells if cell is not None}
        kind: Any = str if any(issubclass(one, str) for one in kinds) or not kinds else np.result_type(*kinds)
        built[name] = _column(cells, kind)
        unit = next((unit for ending, unit in _UNITS.items() if name.endswith(ending)), None)
        if unit is not None and built[name].dtype.kind in "iuf":
            units[name] = unit
    return FileTable(built, units, dict(meta or {})).table()


def plain_table(table: Table) -> Table:
    """Copy a table: quantities become numbers with a unit, times ISO 8601 text (microseconds)."""
    from astropy.table import Table
    from astropy.time import Time

    plain = Table(table)
    for name, column in table.items():
        if isinstance(column, Time):
            plain[name] = np.atleast_1d(iso(column, 6))
    return plain


def write_table(
    path: str | os.PathLike[str],
    table: Table,
    *,
    expected: str,
    version: int = 1,
    meta: Mapping[str, Any] | None = None,
) -> None:
    """Write a table as ECSV (comma-separated below its header), whole or not at all.

    Parameters
    ----------
    path : path-like
        Always ECSV, whatever the ending: a plain CSV cannot declare its format and version.
    table : astropy.table.Table or QTable
        Times become text, quantities numbers with a unit.
    expected, version : str, int
        The format and version that the file declares.
    meta : mapping, optional
        Metadata in addition to the table's own.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    plain = plain_table(table)
    declared = {"format": expected, "version": version}
    plain.meta = declared | {**table.meta, **(meta or {})} | declared
    stream = io.StringIO()
    plain.write(stream, format="ascii.ecsv", delimiter=",")
    write_whole(path, stream.getvalue())
