"""Settings: TOML files with the unit's defaults, overridden key by key by the rider's own.

Defaults lie in ``config/`` (inside the package once installed), the rider's files of the same names in the XDG config
folder. Everything is checked against the classes below; an error names the file, the key and the cure.
"""

from __future__ import annotations

import contextlib
import dataclasses
import errno
import os
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import chain
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

import msgspec
from msgspec import Meta

from firmware_app.core import alarms, bands
from firmware_app.core.events import Key

APP = "rumblestrip"


class SettingsError(ValueError):
    """A settings file that cannot be used. The text names the file, the key and the cure."""


# --- what can be set --------------------------------------------------------------------------------------------------


Pin = Annotated[int, Meta(ge=0, le=27)]


class Rider(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """rider.toml: who rides. ``hr_max_bpm`` is the accepted maximum; without it an age formula stands in, marked."""

    birth_year: Annotated[int, Meta(ge=1900, le=2100)] | None = None
    sex: Literal["female", "male"] | None = None
    hr_max_bpm: Annotated[int, Meta(ge=bands.HR_MAX_RANGE_BPM[0], le=bands.HR_MAX_RANGE_BPM[1])] | None = None
    hr_rest_bpm: Annotated[int, Meta(ge=bands.LOWEST_REST_BPM, le=120)] | None = None
    scheme: str = "seven"
    target: str = "3"
    rate_medicines: bool = False


class StrapSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The remembered strap: the only one the unit ever connects to. ``pair`` writes address and name."""

    address: str = ""
    name: str = ""
    adapter: str = ""


PanelKind = Literal["auto", "window", "framebuffer", "offscreen"]
"""What can be drawn on; ``auto`` takes the first that is there."""


class PanelSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The panel. Width and height in px are those of a window or an off-screen panel; a framebuffer tells its own."""

    kind: PanelKind = "auto"
    width_px: Annotated[int, Meta(ge=240, le=1920)] = 480
    height_px: Annotated[int, Meta(ge=240, le=1920)] = 320
    rotation_deg: Literal[0, 90, 180, 270] = 0
    framebuffer: str = "/dev/fb0"
    touch: str = ""
    theme: Literal["day", "night"] = "day"
    brightness_percent: Annotated[int, Meta(ge=10, le=100)] = 100


class SounderSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The sounder: a tonal piezo on PWM, an on/off buzzer, a vibration motor, or silent."""

    kind: Literal["piezo", "buzzer", "motor", "silent"] = "piezo"
    pin: Pin = 18
    active_high: bool = True
    sounds: bool = True


class KeySettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Push buttons to ground, BCM pin numbers; "" for a button that is not fitted."""

    minus_pin: Pin | Literal[""] = 5
    select_pin: Pin | Literal[""] = 6
    plus_pin: Pin | Literal[""] = 13
    debounce_s: Annotated[float, Meta(ge=0.005, le=0.2)] = 0.03
    long_s: Annotated[float, Meta(ge=0.3, le=5.0)] = 1.0
    repeat_s: Annotated[float, Meta(ge=0.1, le=2.0)] = 0.25

    def fitted(self) -> dict[Key, int]:
        """The pin of each button that is fitted."""
        pins: dict[Key, int | str] = {"minus": self.minus_pin, "select": self.select_pin, "plus": self.plus_pin}
        return {key: pin for key, pin in pins.items() if isinstance(pin, int)}


class Unit(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """unit.toml: what is wired to the unit."""

    strap: StrapSettings = StrapSettings()
    panel: PanelSettings = PanelSettings()
    sounder: SounderSettings = SounderSettings()
    keys: KeySettings = KeySettings()


# --- where it lies ----------------------------------------------------------------------------------------------------


def defaults_dir() -> Path:
    """Where the shipped defaults lie: beside the package in a checkout, inside it once installed."""
    package = Path(__file__).resolve().parent
    inside = package / "defaults"
    return inside if inside.is_dir() else package.parent / "config"


def config_dir() -> Path:
    """The rider's own settings, by the XDG base directory specification. Raises SettingsError without a home."""
    import platformdirs

    return _at_home(platformdirs.user_config_path, "XDG_CONFIG_HOME")


def edited() -> frozenset[tuple[str, int, int]]:
    """What stands in the rider's config folder, in short: another answer once a file there was edited."""
    found = set()
    with contextlib.suppress(OSError, SettingsError):
        # The folders in it by this pattern too: unlike rglob it looks into one that is a link.
        for path in chain(config_dir().glob("*.toml"), config_dir().glob("*/*.toml")):
            try:
                stat = path.stat()
            except OSError:  # a link that leads nowhere: the other files count all the same
                found.add((str(path), 0, 0))
            else:
                found.add((str(path), stat.st_mtime_ns, stat.st_size))
    return frozenset(found)


def without_folder(text: str) -> str:
    """A message for a panel, where the path of the rider's own files would leave no room for what is wrong in them."""
    return text.replace(f"{config_dir()}/", "")


def data_dir() -> Path:
    """The rider's rides, by the XDG base directory specification. Made on first use, readable by the owner only.

    One that cannot be made is told by whoever opens a file in it: it must not keep a ride from beginning. Raises
    SettingsError without a home.
    """
    import platformdirs

    folder = _at_home(platformdirs.user_data_path, "XDG_DATA_HOME")
    with contextlib.suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    return folder


def _at_home(find: Callable[[str], Path], variable: str) -> Path:
    # Without a home "~" may stay as it is, and the rides would lie wherever the program happened to be started.
    try:
        folder = find(APP)
    except RuntimeError:
        folder = Path("~")
    if not folder.is_absolute():
        raise SettingsError(f"{folder}: is not an absolute path; set HOME, or {variable} to a path that begins with /")
    return folder


# --- reading ----------------------------------------------------------------------------------------------------------


T = TypeVar("T")


def read_toml(path: Path) -> dict[str, Any]:
    """One TOML file. Raises SettingsError naming the file, and the line where the syntax breaks."""
    try:
        return tomllib.loads(_text(path))
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read ({error.strerror}); check that it exists and is yours") from error
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path}: is not UTF-8 text; save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{path}: is not TOML: {_syntax_in_words(str(error))}") from error
    except (ValueError, RecursionError) as error:
        raise SettingsError(f"{path}: {_BEYOND}") from error


_BEYOND = "holds a number of thousands of digits, or lists within lists without end; take that out"


def _text(path: Path) -> str:
    # "utf-8-sig": some editors put a byte-order mark before the first key.
    return path.read_text(encoding="utf-8-sig")


def convert(data: Any, kind: type[T], path: Path) -> T:
    """Checked data from plain data. Raises SettingsError naming file, key and what is allowed."""
    try:
        return msgspec.convert(data, kind)
    except msgspec.ValidationError as error:
        key, what = in_words(error, kind)
        cure = "add it" if what == MISSING else meant(data, kind, key) or "change or remove that key"
        if what == NO_SUCH_KEY:
            shipped = defaults_dir() / path.name
            cure = f"{_home_of(key, kind)}see {shipped} for those there are" if shipped.exists() else "remove it"
        raise SettingsError(f"{path}: {key or 'the file'}: {what}; {cure}") from error


def is_there(path: Path) -> bool:
    """Whether a rider wrote this file. A link that leads nowhere was not left out: reading it tells what is wrong."""
    return path.is_symlink() or path.exists()


def load(name: str, kind: type[T]) -> T:
    """``name``.toml: the defaults with the rider's own file laid over them, key by key."""
    path = defaults_dir() / f"{name}.toml"
    data = read_toml(path)
    own = config_dir() / f"{name}.toml"
    if is_there(own):
        data = overlaid(data, read_toml(own))
        path = own
    return convert(data, kind, path)


def overlaid(under: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    """``over`` laid on ``under``, table by table; both are left as they were."""
    merged = dict(under)
    for key, value in over.items():
        below = merged.get(key)
        merged[key] = overlaid(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return merged


# --- what is wrong, in a rider's words --------------------------------------------------------------------------------


def _syntax_in_words(what: str) -> str:
    """What the parser complains of, with the cure."""
    # Doubled keys and tables are told in a programmer's words, and a word without quotes is told as anything else is.
    told = re.sub("Cannot overwrite a value|Cannot declare .* twice", "a key stands there twice", what)
    if told != what:
        return f"{told}; keep one of them"
    return f"{what}; mend that line: a number has no unit and no comma (12.5), a word stands in quotes"


NO_SUCH_KEY = "there is no such key"
MISSING = "it is missing"


def in_words(error: msgspec.ValidationError, kind: Any) -> tuple[str, str]:
    """The dotted key that an error of converting to ``kind`` is about, "" for the whole, and what is wrong with it."""
    what, _, where = str(error).partition(" - at `$")
    key = where.rstrip("`").lstrip(".")
    if stray := re.fullmatch(r"Object contains unknown field `(.+)`", what):
        return f"{key}.{stray[1]}".lstrip("."), NO_SUCH_KEY
    if lacking := re.fullmatch(r"Object missing required field `(.+)`", what):
        return f"{key}.{lacking[1]}".lstrip("."), MISSING
    return key, _value_in_words(what, kind, key)


_TYPES = {
    "int": "a whole number",
    "float": "a number",
    "str": "text in quotes",
    "bool": "true or false",
    "object": "a table",
    "array": "a list",
}


def _value_in_words(what: str, kind: Any, key: str) -> str:
    """What is wrong with a value, in a rider's words instead of a programmer's."""
    if what.startswith("Invalid enum value") and (choices := _choices(kind, key)):
        given = what.removeprefix("Invalid enum value ").replace("'", '"')
        others = [_TYPES[one.__name__] for one in _kinds(kind, key) if one in (int, float, str)]
        return f"{given} is none of {', '.join([*choices, *others])}"
    # A whole number is allowed where any is: only one with a point can be too much.
    what = what.replace("got `float`", "got a number with a point")
    what = re.sub(r"`([^`]+)`", lambda named: _types_in_words(named[1]), what)
    return what[0].lower() + what[1:]


def _types_in_words(names: str) -> str:
    # A key may be left out, but TOML has no word for nothing: "null" would only puzzle.
    return " or ".join(_TYPES.get(name, name) for name in names.split(" | ") if name != "null")


def meant(data: Any, kind: Any, key: str) -> str:
    """How a wrong value of a dotted key was likely meant, as in ``write target = "3"``; "" where nobody can tell."""
    value, kinds = data, _kinds(kind, key)
    try:
        for part in _parts(key):
            value = value[int(part) if isinstance(value, list) else part]
    except (LookupError, TypeError, ValueError):
        return ""
    written = ""
    if isinstance(value, str) and f'"{value.lower()}"' in _choices(kind, key):
        written = f'"{value.lower()}"'
    elif isinstance(value, str) and (
        (int in kinds and re.fullmatch("[0-9]{1,9}", value))
        or (float in kinds and re.fullmatch(r"[0-9]{1,9}(\.[0-9]{1,9})?", value))
    ):
        written = value
    elif type(value) in (int, float) and len(str(value)) < 20:
        lists = [get_args(one) for one in kinds if get_origin(one) is tuple]
        if str in kinds:
            written = f'"{value}"'
        elif lists and lists[0][0] is float:
            written = f"[{value}]" if lists[0][-1] is Ellipsis else str([value] * len(lists[0]))
    return f"write {_parts(key)[-1]} = {written}" if written else ""


def _parts(key: str) -> list[str]:
    """The names and the places in lists that a dotted key such as ``block[0].step`` leads through."""
    return re.findall(r"[^.\[\]]+", key)


def _kinds(kind: Any, key: str) -> list[Any]:
    """What the value of a dotted key may be; [] where there is no such key."""
    try:
        for part in _parts(key):
            kind = get_args(kind)[0] if part.isdecimal() else get_type_hints(kind)[part]
    except (LookupError, TypeError):
        return []
    return list(get_args(kind)) if get_origin(kind) in (Union, UnionType) else [kind]


def _home_of(key: str, kind: Any) -> str:
    """Where a key that stands in no table, or in the wrong one, belongs; "" where no table of ``kind`` has it."""
    last = key.rpartition(".")[2]
    tables = [
        name
        for name, table in get_type_hints(kind).items()
        if isinstance(table, type) and last in get_type_hints(table)
    ]
    where = " or ".join(f"[{name}]" for name in tables) if len(tables) < 4 else f"a table, such as [{tables[0]}]"
    return f"it belongs under {where}; " if tables else ""


def _choices(kind: Any, key: str) -> tuple[str, ...]:
    """The values that are allowed for a dotted key, as TOML writes them; () where it is not such a key."""
    literals = [value for one in _kinds(kind, key) if get_origin(one) is Literal for value in get_args(one)]
    return tuple(f'"{value}"' if isinstance(value, str) else str(value) for value in literals)


# --- writing ----------------------------------------------------------------------------------------------------------


def remember(name: str, changes: Mapping[str, str | int | float | bool]) -> Path:
    """Write dotted keys of the rider's own ``name``.toml, keeping the rest of the file and its comments.

    The file is replaced in one step: it is whole before and after, whatever fails, and all of the keys are in it or
    none. Raises SettingsError when what is there cannot be read, and leaves it as it is.
    """
    import tomlkit
    import tomlkit.exceptions

    path = config_dir() / f"{name}.toml"
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    before = read_toml(path) if path.exists() else {}
    after = before
    keys = " and ".join(changes)
    try:
        document = tomlkit.parse(_text(path)) if path.exists() else tomlkit.document()
        for key, value in changes.items():
            *tables, last = key.split(".")
            at: Any = document
            for table in tables:
                at = at.setdefault(table, tomlkit.table())
                if not isinstance(at, dict):
                    raise SettingsError(f"{path}: {table}: must be a table, [{table}]; change or remove that key")
            at[last] = value
            change: Any = value
            for part in reversed(key.split(".")):
                change = {part: change}
            after = overlaid(after, change)
        text = tomlkit.dumps(document)
        written = tomllib.loads(text)
    except (tomlkit.exceptions.TOMLKitError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(f"{path}: {keys} cannot be added to it ({error}); write {keys} there by hand") from error
    if written != after:
        # Two libraries that read a rider's file differently: better no change than another one.
        raise SettingsError(f"{path}: {keys} cannot be added without changing more; write {keys} there by hand")
    write_whole(behind(path), text.encode())
    return path


def behind(path: Path) -> Path:
    """The file that a link leads to: a rider who keeps settings elsewhere finds the change there."""
    return Path(os.path.realpath(path))


def write_whole(path: Path, content: bytes) -> None:
    """Write a private file in one step, durable before it takes the old one's place. Raises OSError."""
    if not path.name or path.is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    part = path.with_name(path.name + ".part")
    # What a killed program left is not written on: it might be open to others, or lead elsewhere.
    part.unlink(missing_ok=True)
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


# --- what is checked beyond its shape ---------------------------------------------------------------------------------


_ADDRESS = re.compile(r"(?:[0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}")


def problem_with_address(address: str) -> str:
    """What is wrong with the address of a strap, with the cure; "" for nothing."""
    return "" if _ADDRESS.fullmatch(address) else f"{address!r} is not an address, which reads like C0:12:34:56:78:9A"


def load_unit() -> Unit:
    """unit.toml, checked, its pins against each other and the header."""
    from firmware_app.devices import header

    unit = load("unit", Unit)
    problem = header.problem_with(unit)
    if unit.strap.address and (wrong := problem_with_address(unit.strap.address)):
        problem = f"strap.address: {wrong}, and `rumblestrip pair` finds yours"
    if problem:
        own = config_dir() / "unit.toml"
        raise SettingsError(f"{own if own.exists() else defaults_dir() / own.name}: {problem}")
    return unit


def load_alarms(path: Path | None = None, changes: Sequence[str] = ()) -> alarms.AlarmTable:
    """alarms.toml, checked: the defaults, the rider's own file, ``path`` and ``changes`` laid over each other.

    changes: ``KEY=VALUE`` in TOML's own words, such as ``near_max.dwell_s=10``.
    """
    own = config_dir() / "alarms.toml"
    layers = [(file, read_toml(file)) for file in (own if is_there(own) else None, path) if file is not None]
    for change in changes:
        try:
            layers.append((Path(f"--set {change}"), tomllib.loads(change)))
        except tomllib.TOMLDecodeError as error:
            raise SettingsError(f"--set {change}: write it as above_target.apart_s=30 ({error})") from error
        except (ValueError, RecursionError) as error:
            raise SettingsError(f"--set {change[:40]}: {_BEYOND}") from error
    shipped = defaults_dir() / "alarms.toml"
    data = read_toml(shipped)
    table = convert(data, alarms.AlarmTable, shipped)
    for file, layer in layers:
        stray = stray_key(layer, dataclasses.asdict(table))
        if stray:
            cure = f"{_home_of(stray, alarms.AlarmTable)}see {shipped} for those there are"
            raise SettingsError(f"{file}: {stray}: {NO_SUCH_KEY}; {cure}")
        data = overlaid(data, layer)
        table = convert(data, alarms.AlarmTable, file)
        problem = alarms.problem_with(table)
        if problem:
            raise SettingsError(f"{file}: {problem}")
    return table


def stray_key(data: dict[str, Any], known: dict[str, Any]) -> str:
    """The first dotted key of ``data`` that ``known`` does not have; "" when there is none."""
    for key, value in data.items():
        if key not in known:
            return key
        if isinstance(value, dict) and isinstance(known[key], dict) and (below := stray_key(value, known[key])):
            return f"{key}.{below}"
    return ""


def resting_bpm(rider: Rider, option_bpm: int | None, hr_max_bpm: int) -> int | None:
    """The resting heart rate of ``--hr-rest-bpm``, else the rider's. Raises SettingsError for one no rider has."""
    if option_bpm is None:
        return rider.hr_rest_bpm
    low, high = bands.rest_range_bpm(hr_max_bpm)
    if not low <= option_bpm <= high:
        raise SettingsError(f"--hr-rest-bpm {option_bpm}: give {low} to {high}, for a maximum of {hr_max_bpm}")
    return option_bpm


@contextlib.contextmanager
def of_the_rider(own: bool = True) -> Iterator[None]:
    """Name rider.toml in what is wrong with a value that stands there. own: it does, and is no option's."""
    try:
        yield
    except (bands.BandError, SettingsError) as error:
        # What is wrong inside a band file names that file, and rider.toml is not at fault.
        if not own or str(error).startswith(str(config_dir() / "bands")):
            raise
        raise SettingsError(f"{config_dir() / 'rider.toml'}: {error}") from error


class SchemeFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """bands/NAME.toml: a band scheme. Each ``[[band]]`` is one row, in order."""

    basis: bands.Basis
    band: tuple[bands.Row, ...]
    source: str = ""


def scheme_names() -> tuple[str, ...]:
    """Every band scheme that can be loaded, the shipped and the rider's own."""
    folders = (defaults_dir() / "bands", config_dir() / "bands")
    return tuple(sorted({path.stem for folder in folders for path in folder.glob("*.toml")}))


def load_scheme(name: str) -> bands.Scheme:
    """The band scheme ``name``, checked: the rider's own file of that name, else the shipped one.

    Raises SettingsError naming the file, the line, the key and the cure.
    """
    if name not in scheme_names():
        folder = config_dir() / "bands"
        names = ", ".join(scheme_names())
        raise SettingsError(f"scheme {name!r}: choose one of {names}, or write your own file in {folder}")
    own = config_dir() / "bands" / f"{name}.toml"
    path = own if is_there(own) else defaults_dir() / "bands" / own.name
    data = read_toml(path)
    try:
        form = msgspec.convert(data, SchemeFile)
    except msgspec.ValidationError as error:
        whole, what = in_words(error, SchemeFile)
        place = re.search(r"band\[(\d+)\]", whole)
        key = whole.rpartition(".")[2]
        line = _line_in_scheme(path, int(place[1]) if place else None, key)
        keys = ", ".join(field.name for field in msgspec.structs.fields(SchemeFile))
        cure = "add it" if what == MISSING else f"use {keys}" if what == NO_SUCH_KEY else "mend that line"
        raise SettingsError(f"{path}: line {line}: {key}: {what}; {cure}") from error
    known = {field.name for field in dataclasses.fields(bands.Row)}
    for index, row in enumerate(data["band"]):
        for key in sorted(row.keys() - known):
            line = _line_in_scheme(path, index, key)
            raise SettingsError(f"{path}: line {line}: {key}: a band has no such key; use {', '.join(sorted(known))}")
    try:
        return bands.checked_scheme(name, form.basis, form.band, form.source)
    except bands.SchemeError as error:
        raise SettingsError(f"{path}: line {_line_in_scheme(path, error.place, error.key)}: {error}") from error


def _line_in_scheme(path: Path, place: int | None, key: str) -> int:
    """The line, from 1, of a key in the band of index ``place`` (None: at the top), or of what stands nearest to it."""
    band = -1
    nearest = 1
    for number, line in enumerate(_text(path).splitlines(), start=1):
        if re.match(r"\s*\[\[\s*band\s*\]\]", line):
            band += 1
            if band == place:
                nearest = number
        elif band == (-1 if place is None else place) and re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=", line):
            return number
    return nearest
