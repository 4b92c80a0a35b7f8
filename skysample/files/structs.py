"""Plain tables, as read from TOML and JSON, to typed structs; what does not fit is refused in plain words."""

from __future__ import annotations

import difflib
import json
import math
from types import UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

import msgspec

from skysample.errors import InputError

Struct = TypeVar("Struct", bound=msgspec.Struct)

_LONGEST_SHOWN = 60


def typed(content: Any, kind: type[Struct], *, file: str | None = None, place: str = "") -> Struct:
    """Build a struct from plain tables.

    msgspec converts; its messages name types of Python, and it lets nan through, so the first key that does not fit is
    looked for here.

    Parameters
    ----------
    content : dict
        Tables, lists and plain values.
    kind : type of msgspec.Struct
        Its annotations say what is allowed; if it forbids unknown fields, unknown keys are refused.
    file : str, optional
        Named in errors.
    place : str
        Key of the table itself, put before the keys in it.

    Returns
    -------
    Struct

    Raises
    ------
    InputError
        Names the key, the value given and the values allowed.
    """
    try:
        _check(content, kind, place)
    except RecursionError:
        message = "its tables are nested too deeply; write it as the documentation shows"
        raise InputError(message, file=file, key=place or None) from None
    except InputError as error:
        raise InputError(error.message, file=file, key=error.key or None) from None
    return msgspec.convert(content, kind)


def shown(value: Any) -> str:
    """Write a value as a file would have it, on one line and clipped to 60 characters."""
    try:
        plain = isinstance(value, str | bool | int | list | dict) or value is None
        text = json.dumps(value, ensure_ascii=False, default=str) if plain else str(value)
    except ValueError:
        return "a number of thousands of digits"
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 3] + "..."


def _check(value: Any, kind: Any, place: str) -> None:
    """Refuse the first key whose value does not fit its kind."""
    if kind is Any or (value is None and type(None) in get_args(kind)):
        return
    alternatives = _alternatives(kind)
    lists = [each for each in alternatives if get_origin(each) in {tuple, list}]
    is_list = bool(lists) and isinstance(value, list | tuple)
    inner = lists[0] if is_list else alternatives[0]
    origin, parts = get_origin(inner), get_args(inner)
    if _is_struct(inner):
        _check_table(value, inner, place)
        return
    if is_list:
        kinds = parts[:1] * len(value) if origin is list or parts[-1] is ... else parts
        if len(kinds) != len(value):
            raise _refusal(value, kind, place, "correct it")
        for number, (item, of) in enumerate(zip(value, kinds, strict=True)):
            _check(item, of, f"{place}[{number}]")
    elif origin is dict and isinstance(value, dict):
        for key, each in value.items():
            _check(each, parts[1], f"{place}.{_clipped(key)}")
    if isinstance(value, float) and not math.isfinite(value):
        raise _refusal(value, kind, place, "write a finite number")
    try:
        msgspec.convert(value, kind)
    except (msgspec.ValidationError, OverflowError):
        words = [word for each in alternatives if get_origin(each) is Literal for word in get_args(each)]
        advice = _did_you_mean(value, words) or ("write one of them" if words else "correct it")
        raise _refusal(value, kind, place, advice) from None


def _check_table(value: Any, table: type[msgspec.Struct], place: str) -> None:
    if not isinstance(value, dict):
        raise _refusal(value, table, place, f"write {_heading(place)}")
    hints = get_type_hints(table, include_extras=True)
    where = f"{place}." if place else ""
    for key in value:
        if key not in hints and table.__struct_config__.forbid_unknown_fields:
            advice = _did_you_mean(key, hints, where) or f"known keys here: {', '.join(sorted(hints))}"
            raise InputError(f"unknown key {where}{_clipped(key)}; {advice}", key=f"{where}{key}")
    for field in msgspec.structs.fields(table):
        name, kind = f"{where}{field.name}", hints[field.name]
        if field.name in value:
            _check(value[field.name], kind, name)
        elif field.required:
            missing = _heading(name) if _is_struct(_alternatives(kind)[0]) else _wanted(kind)
            raise InputError(f"{name} is missing; write {missing}", key=name)


def _refusal(value: Any, kind: Any, place: str, advice: str) -> InputError:
    start = f"{place}: " if place else ""
    return InputError(f"{start}{shown(value)} is not {_wanted(kind)}; {advice}", key=place)


def _did_you_mean(word: Any, known: Any, where: str = "") -> str:
    near = difflib.get_close_matches(_clipped(word).lower(), known, n=1, cutoff=0.5)
    return f"did you mean {where}{near[0]}?" if near else ""


def _clipped(value: Any) -> str:
    return f"{value!s:.{_LONGEST_SHOWN}}"


def _heading(place: str) -> str:
    return f"[{place}] and its keys below it" if place else "KEY = VALUE, one per line"


def _alternatives(kind: Any) -> tuple[Any, ...]:
    """What a value may be, None left out."""
    is_union = get_origin(kind) in {Union, UnionType}
    return tuple(each for each in get_args(kind) if each is not type(None)) if is_union else (kind,)


def _is_struct(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, msgspec.Struct)


def _wanted(kind: Any) -> str:
    """Describe what a key takes."""
    return " or ".join(_one_wanted(each) for each in _alternatives(kind))


def _one_wanted(kind: Any) -> str:
    origin, parts = get_origin(kind), get_args(kind)
    if origin is Annotated:
        return f"{_wanted(parts[0])}{_range(parts[1])}"
    if origin is Literal:
        return f"one of {', '.join(map(str, parts))}"
    if origin is list or (origin is tuple and parts[-1] is ...):
        return f"a list, each entry {_wanted(parts[0])},"
    if origin is tuple:
        return f"a list of {len(parts)}" + (f", each {_wanted(parts[0])}" if len(set(parts)) == 1 else "")
    if origin is dict or _is_struct(kind):
        return "a table"
    return {bool: "true or false", int: "a whole number", float: "a number", str: "text in quotes"}[kind]


def _range(meta: msgspec.Meta) -> str:
    low, high = meta.ge if meta.gt is None else meta.gt, meta.le
    if low is None:
        return ""
    if meta.gt is not None:
        return f" above {low:.10g}" + ("" if high is None else f" and up to {high:.10g}")
    return f" of {low:.10g} or more" if high is None else f" from {low:.10g} to {high:.10g}"
