"""Settings of a call: option, environment, the store's own, the user's, else the default."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from math import inf
from pathlib import Path
from typing import Any

from durability.record import units
from durability.record.errors import UnusableCall
from durability.record.whole_file import read_whole

FILE_NAME = "durability.toml"
"""The user's file, in the folder for settings."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One value that holds, and whence."""

    value: Any
    """None where the default holds that is not known here."""
    source: str

    @property
    def is_default(self) -> bool:
        """Whether nothing else was said."""
        return self.source == DEFAULT


DEFAULT = "default"
_DEFAULTS = {"store": "durability.duckdb", "units": "si"}


@dataclass(frozen=True, slots=True)
class _Key:
    """How a setting is read from text, what would be right, and its option."""

    read: Callable[[str], Any]
    right: str
    option: str
    is_number: bool = True


def _words(text: str) -> str:
    if not text.strip():
        raise ValueError
    return text


def _system(text: str) -> str:
    if text not in units.SYSTEMS:
        raise ValueError
    return text


def _text(value: object, key: _Key) -> str:
    """What stands in a file, as it would be typed."""
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if isinstance(value, str) or (is_number and key.is_number):
        return str(value)
    raise ValueError


def _below(most: float, read: Callable[[str], float]) -> Callable[[str], float]:
    """What reads a number above 0 and below the most."""

    def within(text: str) -> float:
        value = read(text)
        if not 0.0 < value < most:
            raise ValueError
        return value

    return within


KEYS: dict[str, _Key] = {
    "store": _Key(_words, "the path of a store, like ~/lab.duckdb", "--store", False),
    "person": _Key(_words, "a name", "--by", False),
    "limit_g": _Key(
        _below(inf, partial(units.read, quantity=units.ACCELERATION)),
        "a number above 0, in g",
        "--limit-g",
    ),
    "limit_rise": _Key(
        _below(inf, units.read_rise), "a fraction above 0, like 0.5 or 50%", "--limit-rise"
    ),
    "level": _Key(
        _below(1.0, partial(units.read, quantity=units.SHARE)),
        "a share between 0 and 1, like 0.9",
        "--level",
    ),
    "laboratory": _Key(_words, "its name and address", "--laboratory", False),
    "customer": _Key(_words, "a name, and where to reach it", "--customer", False),
    "units": _Key(_system, f"{' or '.join(units.SYSTEMS)}", "--units", False),
}
_LIMITS = ("limit_g", "limit_rise")
"""A case has one limit: where one of the two is set, the other doesn't hold."""
LIMITS_AND_LEVEL = (*_LIMITS, "level")
_PERSONAL = ("store", "person")
"""Never beside a store: it serves many people, wherever it lies."""


def user_file() -> Path:
    """Where the user's own settings stand."""
    folder = os.environ.get("XDG_CONFIG_HOME") or "~/.config"
    return Path(folder).expanduser() / FILE_NAME


def store_file(store: Path) -> Path:
    """Where the settings of a store stand: beside it, under its name."""
    return store.with_suffix(".toml")


def hold(given: Mapping[str, Any]) -> dict[str, Setting]:
    """What holds for a call, and whence.

    Parameters
    ----------
    given : mapping
        Setting → what an option gives, ready to be used; None where it was not typed.

    Returns
    -------
    dict of str to Setting
        Every setting.

    Raises
    ------
    UnusableCall
        A file or a variable of the environment holds what is no setting.
    """
    typed = {
        name: Setting(value, f"option {KEYS[name].option}")
        for name, value in given.items()
        if value is not None
    }
    in_environment = _read({
        name: (os.environ[variable], f"environment {variable}")
        for name in KEYS
        if os.environ.get(variable := f"DURABILITY_{name.upper()}")
    })  # fmt: skip
    user = _read(_in_file(user_file()))
    layers = [typed, in_environment, user]
    named = _first(layers, "store")
    store = Path(named.value).expanduser()
    if not store.name:
        raise UnusableCall(f"{named.source}, store {named.value!r}: not a file; name a store")
    beside = _in_file(store_file(store))
    for name in _PERSONAL:
        if name in beside:
            value, source = beside[name]
            raise UnusableCall(
                f"{source}, {name} = {value!r}: not beside a store; right in {user_file()}"
            )
    layers.insert(2, _read(beside))
    found = {name: _first(layers, name) for name in KEYS}
    found["store"] = Setting(str(store), named.source)
    for layer in layers:
        limit = next((layer[name] for name in _LIMITS if name in layer), None)
        if limit is not None:
            absent = Setting(None, limit.source)
            return found | {name: layer.get(name, absent) for name in _LIMITS}
    return found


def _first(layers: list[dict[str, Setting]], name: str) -> Setting:
    default = Setting(_DEFAULTS.get(name), DEFAULT)
    return next((layer[name] for layer in layers if name in layer), default)


def _in_file(file: Path) -> dict[str, tuple[Any, str]]:
    """Settings of a file as they stand there, each with the file; none where there is no file."""
    try:
        text = read_whole(file).decode()
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError) as fault:
        raise UnusableCall(f"{file}: can't be read as text in UTF-8 ({fault})") from None
    import tomllib

    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise UnusableCall(f"{file}: {fault}; write lines like level = 0.8") from None
    return {name: (value, str(file)) for name, value in values.items()}


def _read(said: Mapping[str, tuple[Any, str]]) -> dict[str, Setting]:
    """What was said, each with its source, as values."""
    found = {}
    for name, (value, source) in said.items():
        where = source if source.startswith("environment ") else f"{source}, {name}"
        if name not in KEYS:
            raise UnusableCall(f"{where} = {value!r}: no setting; there are {', '.join(KEYS)}")
        key = KEYS[name]
        try:
            found[name] = Setting(key.read(_text(value, key)), source)
        except ValueError as fault:
            words = str(fault) or f"not {key.right}"
            raise UnusableCall(f"{where} = {value!r}: {words}") from None
    if all(name in found for name in _LIMITS):
        source = found["limit_g"].source
        raise UnusableCall(f"{source}, limit_g beside limit_rise: a case has one limit; keep one")
    return found
