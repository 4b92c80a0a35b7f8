"""Plain tables, as TOML and JSON give them, to typed structs; what does not fit is refused in plain words."""

from __future__ import annotations

import difflib
import json
import math
from types import UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

import msgspec

from skysample.errors import InputError

__all__ = ["shown", "typed"]

Struct = TypeVar("Struct", bound=msgspec.Struct)

_LONGEST_SHOWN = 60


def typed(content: Any, kind: type[Struct], *, file: str | None = None, place: str = "") -> Struct:
    """Build a struct from plain tables.

    Parameters
    ----------
    content : dict
        Tables, lists and plain values.
    kind : type of msgspec.Struct
        Its annotations say what is allowed; unknown keys are refused where it forbids them.
    file : str, optional
        Named in errors.
    place : str
        Key of the table itself, put before those in it.

    Returns
    -------
    Struct

    Raises
    ------
    InputError
        Names the key, the value given and the values allowed.
    """
    try:
        fault = _fault(content, kind, place)
    except RecursionError:
        fault = (place, "its tables are nested too deeply; write it as the documentation shows")
    if fault is not None:
        key, message = fault
        raise InputError(message, file=file, key=key or None)
    return msgspec.convert(content, kind)


def shown(value: Any) -> str:
    """Say a value as a file would write it, on one line and not longer than a line can bear."""
    try:
        plain = isinstance(value, str | bool | int | list | dict) or value is None
        text = json.dumps(value, ensure_ascii=False, default=str) if plain else str(value)
    except ValueError:
        return "a number of thousands of digits"
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 3] + "..."


def _fault(value: Any, kind: Any, place: str) -> tuple[str, str] | None:
    """Find the first key that does not fit, and say what is wrong with it; None where all fits."""
    if kind is Any:
        return None
    inner = _best(value, kind)
    if isinstance(inner, type) and issubclass(inner, msgspec.Struct):
        return _fault_in_table(value, inner, place)
    fault = None
    if isinstance(value, list | tuple) and get_origin(inner) in {tuple, list}:
        fault = _fault_in_list(value, inner, place)
    elif isinstance(value, dict) and get_origin(inner) is dict:
        faults = (_fault(each, get_args(inner)[1], f"{place}.{_clipped(key)}") for key, each in value.items())
        fault = next((each for each in faults if each is not None), None)
    if fault is not None:
        return fault
    if isinstance(value, float) and not math.isfinite(value):
        return place, f"{place}: {shown(value)} is not {_allowed(kind)}; write a finite number"
    if value is None or not _fits(value, kind):
        return place, _refusal(value, kind, place)
    return None


def _fault_in_table(value: Any, table: type[msgspec.Struct], place: str) -> tuple[str, str] | None:
    if not isinstance(value, dict):
        start = f"{place}: " if place else ""
        return place, f"{start}{shown(value)} is not {_allowed(table)}; write {_heading(place)}"
    hints = get_type_hints(table, include_extras=True)
    where = f"{place}." if place else ""
    for key in value:
        if key not in hints and table.__struct_config__.forbid_unknown_fields:
            return f"{where}{key}", f"unknown key {where}{_clipped(key)}; {_nearest_key(key, where, hints)}"
    for field in msgspec.structs.fields(table):
        if field.name not in value:
            if field.required:
                name, kind = f"{where}{field.name}", hints[field.name]
                is_table = _struct_of(kind) is not None
                return name, f"{name} is missing; write {_heading(name) if is_table else _allowed(kind)}"
            continue
        fault = _fault(value[field.name], hints[field.name], f"{where}{field.name}")
        if fault is not None and not (
            value[field.name] is None and type(None) in get_args(hints[field.name])
        ):
            return fault
    return None


def _fault_in_list(value: list[Any] | tuple[Any, ...], kind: Any, place: str) -> tuple[str, str] | None:
    kinds = get_args(kind)
    if get_origin(kind) is list or kinds[-1] is ...:
        kinds = (kinds[0],) * len(value)
    if len(kinds) != len(value):
        return place, f"{place}: {shown(value)} is not {_allowed(kind)}; correct it"
    for number, (item, of) in enumerate(zip(value, kinds, strict=True)):
        fault = _fault(item, of, f"{place}[{number}]")
        if fault is not None:
            return fault
    return None


def _refusal(value: Any, kind: Any, place: str) -> str:
    words = _choices(kind)
    if not words:
        return f"{place}: {shown(value)} is not {_allowed(kind)}; correct it"
    near = difflib.get_close_matches(_clipped(value).lower(), words, n=1, cutoff=0.5)
    advice = f"did you mean {near[0]}?" if near else "write one of them"
    return f"{place}: {shown(value)} is not {_allowed(kind)}; {advice}"


def _nearest_key(key: Any, where: str, known: dict[str, Any]) -> str:
    near = difflib.get_close_matches(_clipped(key).lower(), known, n=1, cutoff=0.5)
    return f"did you mean {where}{near[0]}?" if near else f"known keys here: {', '.join(sorted(known))}"


def _clipped(value: Any) -> str:
    return f"{value!s:.{_LONGEST_SHOWN}}"


def _heading(place: str) -> str:
    return f"[{place}] and its keys below it" if place else "KEY = VALUE, one a line"


def _fits(value: Any, kind: Any) -> bool:
    try:
        msgspec.convert(value, kind)
    except (msgspec.ValidationError, OverflowError):
        return False
    return True


def _alternatives(kind: Any) -> tuple[Any, ...]:
    """What a value may be, None left out."""
    if get_origin(kind) in {Union, UnionType}:
        return tuple(each for each in get_args(kind) if each is not type(None))
    return (kind,)


def _best(value: Any, kind: Any) -> Any:
    """The alternative that a value was meant for: lists go with lists."""
    found = _alternatives(kind)
    lists = [each for each in found if get_origin(each) in {tuple, list}]
    return lists[0] if lists and isinstance(value, list | tuple) else found[0]


def _struct_of(kind: Any) -> Any:
    found = _alternatives(kind)[0]
    return found if isinstance(found, type) and issubclass(found, msgspec.Struct) else None


def _choices(kind: Any) -> tuple[str, ...]:
    return get_args(kind) if get_origin(kind) is Literal else _choices_of(_alternatives(kind))


def _choices_of(kinds: tuple[Any, ...]) -> tuple[str, ...]:
    return tuple(word for each in kinds if get_origin(each) is Literal for word in get_args(each))


def _allowed(kind: Any) -> str:
    """Say what a key takes."""
    return " or ".join(_said(each) for each in _alternatives(kind))


def _said(kind: Any) -> str:
    origin, parts = get_origin(kind), get_args(kind)
    if origin is Annotated:
        base, meta = parts[0], parts[1]
        return f"{_said(base)}{_range(meta)}"
    if origin is Literal:
        return f"one of {', '.join(map(str, parts))}"
    if origin is list or (origin is tuple and parts[-1] is ...):
        return f"a list, each entry {_said(parts[0])},"
    if origin is tuple:
        same = len(set(parts)) == 1
        return f"a list of {len(parts)}, each {_said(parts[0])}" if same else f"a list of {len(parts)}"
    if origin is dict or (isinstance(kind, type) and issubclass(kind, msgspec.Struct)):
        return "a table"
    return {bool: "true or false", int: "a whole number", float: "a number", str: "text in quotes"}[kind]


def _range(meta: msgspec.Meta) -> str:
    low, high = meta.ge if meta.gt is None else meta.gt, meta.le
    if low is None:
        return ""
    if meta.gt is not None:
        return f" above {low:.10g}" + ("" if high is None else f" and up to {high:.10g}")
    return f" of {low:.10g} or more" if high is None else f" from {low:.10g} to {high:.10g}"
