"""Time histories (dataset 58) out of a universal file, laid out as a tap set.

Our own files say every number exactly in their ID lines. Those of other programs give a node for
each blow (dataset 15, in the unit of dataset 164) and samples as real numbers: these become 24-bit
integers of the file's own loudest level. What cannot be used is said, the rest is taken.
"""

from __future__ import annotations

import csv
import re
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.archive.rig_file import toml_value
from rig.archive.sound_files import encode_clip
from rig.archive.storage import storage_errors
from rig.archive.tap_set import OPTIONAL, REQUIRED
from rig.archive.universal_files import FIRST_RIM_NODE, MICROPHONE_NODE
from rig.model.clip import Clip
from rig.model.errors import RecordingError, TapSetError

SUFFIXES = (".uff", ".unv", ".uf")
_FOREIGN_FULL_SCALE = 2**23
_RATES_HZ = (32_000, 44_100, 48_000, 51_200, 88_200, 96_000, 102_400, 176_400, 192_000)
_NO_INTEGER = 1e-3  # farther than this from a whole number, a sample is not as it was written
_ANEW = "Export it again; what is needed are datasets 15 (nodes) and 58 (functions)."
_RATE_DOUBT = 1e-4  # an increment of 1.23456E-05 says no more
_TIME_RESPONSE, _EVEN, _FORCE = 1, 1, 13
_OWN = re.compile(r"(S\d{4,}) tap=(\d+) repeat=(\d+) channel=(\d+) (microphone|pickup|other)")


@dataclass
class _Blow:
    """All channels of one strike as they are found, one after the other."""

    values: dict[str, str] = field(default_factory=dict)
    channels: dict[int, NDArray[np.int32]] = field(default_factory=dict)
    roles: dict[str, int] = field(default_factory=dict)


def is_universal(path: Path) -> bool:
    """Whether the name is that of a universal file."""
    return path.suffix.lower() in SUFFIXES and path.is_file()


def lay_out_universal(path: Path, directory: Path) -> list[str]:
    """Write a tap set into `directory` (made anew) from a universal file; return cautions.

    Raises TapSetError when the file cannot be read or holds no time history of a blow.
    """
    cautions: list[str] = []
    sets = _sets_of(path, cautions)
    own = [one for one in sets if one["type"] == 58 and _OWN.match(_text(one, "id1"))]
    with storage_errors(directory):
        (directory / "audio").mkdir(parents=True)
        nodes = _nodes_mm(sets)
        try:
            rows = (
                _own_rows(own, directory, cautions)
                if own
                else _foreign_rows(sets, nodes, directory, cautions)
            )
        except (KeyError, ValueError) as problem:
            raise TapSetError(
                f"A time history of this universal file is not complete: {problem}.",
                where=str(path),
                remedy="Export the file again.",
            ) from problem
        if not rows:
            raise TapSetError(
                " ".join(["This universal file holds no whole time history of a blow.", *cautions]),
                where=str(path),
                remedy="Export time responses (dataset 58) with their nodes (dataset 15).",
            )
        with (directory / "taps.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, (*REQUIRED, *OPTIONAL), restval="", lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
        if own:
            cautions.append(
                "A universal file says nothing of wood, mass, arching or air: tell them to "
                "`platerig new` and gather into that folder, or gather the tap set."
            )
        rim = sorted(node for node in nodes if FIRST_RIM_NODE <= node < MICROPHONE_NODE)
        if own and len(rim) > 2:
            lines = ["x_mm,y_mm", *(f"{nodes[n][0]!r},{nodes[n][1]!r}" for n in rim)]
            (directory / "outline.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        (directory / "plate.toml").write_text(_plate_toml(sets, own, nodes), encoding="utf-8")
    return cautions


def _sets_of(path: Path, cautions: list[str]) -> list[Mapping[str, Any]]:
    """Every dataset that can be read; how many cannot is said."""
    try:
        import pyuff
    except ImportError:
        raise TapSetError(
            "Universal files need the library pyuff, which is not installed.",
            where=str(path),
            remedy='Install it: pip install "platerig[universal-files]".',
        ) from None
    import warnings

    sets: list[Mapping[str, Any]] = []
    broken = 0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about blocks of kinds it does not know
        try:
            file = pyuff.UFF(str(path))
            count = int(file.get_n_sets())
        except Exception as problem:  # the library raises bare exceptions of any kind
            raise TapSetError(
                f"This cannot be read as a universal file: {problem}.",
                where=str(path),
                remedy=_ANEW,
            ) from problem
        for number in range(count):
            try:
                one = file.read_sets(number)
            except Exception:  # as above; the other datasets may still be whole
                broken += 1
            else:
                sets += [one] if isinstance(one, dict) and "type" in one else []
    if broken:
        cautions.append(f"{broken} of {count} datasets in the file cannot be read; passed over.")
    return sets


def _text(one: Mapping[str, Any], name: str) -> str:
    return str(one.get(name, "")).strip()


def _nodes_mm(sets: list[Mapping[str, Any]]) -> dict[int, tuple[float, float, float]]:
    """Places by node number; metres unless the file names another unit."""
    per_metre = 1.0
    found: dict[int, tuple[float, float, float]] = {}
    for one in sets:
        if one["type"] == 164 and float(one.get("length", 0.0)) > 0:
            per_metre = float(one["length"])
    for one in sets:
        if one["type"] in (15, 2411):
            columns = [np.asarray(one[name], dtype=np.float64) for name in "xyz"]
            for node, *place in zip(one["node_nums"], *columns, strict=False):
                x, y, z = (round(1000.0 * float(v) / per_metre, 6) for v in place)
                found[int(node)] = (x, y, z)
    return found


def _own_rows(
    own: list[Mapping[str, Any]], directory: Path, cautions: list[str]
) -> list[dict[str, Any]]:
    """The strikes of a file that platerig wrote, every integer as it was captured."""
    blows: dict[tuple[int, int], _Blow] = defaultdict(_Blow)
    rows, broken = [], set()
    for one in own:
        match = _OWN.match(_text(one, "id1"))
        assert match is not None  # chosen by it
        key = (int(match[2]), int(match[3]))
        try:
            _add_channel(blows[key], one, int(match[4]), match[5])
        except (KeyError, ValueError):
            broken.add(key)
    for (tap, repeat), blow in sorted(blows.items()):
        try:
            rows.append(_own_row(blow, tap, repeat, directory))
        except (KeyError, ValueError, TapSetError):
            broken.add((tap, repeat))
    if broken:
        rows = [row for row in rows if (row["tap"], row["repeat"]) not in broken]
        first = min(broken)
        cautions.append(
            f"{len(broken)} strike(s) in the file are not as they were written and were left out, "
            f"the first of tap {first[0]}."
        )
    for row in rows:
        del row["tap"]
    return rows


def _add_channel(blow: _Blow, one: Mapping[str, Any], channel: int, role: str) -> None:
    """One dataset of a strike; raises KeyError or ValueError where it is not as it was written."""
    values = dict(
        part.split("=", 1)
        for name in ("id2", "id4", "id5")
        for part in _text(one, name).split()
        if "=" in part
    )
    scaled = np.asarray(one["data"], dtype=np.float64) * int(values["full_scale"])
    whole = np.rint(scaled)
    limit = 2.0**31
    if not np.all(np.isfinite(scaled)) or np.any(np.abs(scaled) > limit):
        raise ValueError("no integers")
    if np.any(np.abs(scaled - whole) > _NO_INTEGER) or blow.values not in ({}, values):
        raise ValueError("no integers, or channels of another strike")
    blow.values = values
    blow.roles[role] = channel
    blow.channels[channel] = np.clip(whole, -limit, limit - 1).astype(np.int32)


def _own_row(blow: _Blow, tap: int, repeat: int, directory: Path) -> dict[str, Any]:
    """The line of taps.csv for a strike, its recording written; errors as `_add_channel`."""
    values = blow.values
    if sorted(blow.channels) != list(range(len(blow.channels))):
        raise ValueError("a channel is missing")
    clip = Clip(
        samples=np.column_stack([blow.channels[k] for k in sorted(blow.channels)]),
        sample_rate_hz=int(values["rate_hz"]),
        full_scale=int(values["full_scale"]),
    )
    return {
        "tap": tap,
        "x_mm": values["x_mm"],
        "y_mm": values["y_mm"],
        "face": values["face"],
        "strength": values["strength"],
        "file": _write_clip(directory, f"{tap:06d}-r{repeat}", clip),
        "repeat": repeat,
        "mic_channel": blow.roles.get("microphone", 0),
        "pickup_channel": blow.roles.get("pickup", ""),
        "strike_speed_m_s": values.get("speed_m_s", ""),
        "rebound_ratio": values.get("rebound", ""),
        "strike_sample": values.get("strike_sample", ""),
        "full_scale": values["full_scale"],
    }


def _foreign_rows(
    sets: list[Mapping[str, Any]],
    nodes: Mapping[int, tuple[float, float, float]],
    directory: Path,
    cautions: list[str],
) -> list[dict[str, Any]]:
    """One row for each real, evenly sampled time response whose node has a place."""
    functions = [one for one in sets if one["type"] == 58]
    usable: list[tuple[Mapping[str, Any], int]] = []
    passed_over = 0
    for one in functions:
        node = next((n for n in _nodes_of(one) if n in nodes), None)
        even = one.get("func_type") == _TIME_RESPONSE and one.get("abscissa_spacing") == _EVEN
        finite = even and bool(np.isfinite(np.asarray(one["data"])).all())
        force = one.get("ordinate_spec_data_type") == _FORCE
        if node is None or not finite or force or np.iscomplexobj(one["data"]):
            passed_over += 1
        else:
            usable.append((one, node))
    if passed_over:
        cautions.append(
            f"{passed_over} function(s) were passed over: only real time responses with even steps "
            "and a node of known place are recordings of a blow; forces are not."
        )
    peak = max((float(np.max(np.abs(one["data"]), initial=0.0)) for one, _ in usable), default=0.0)
    rows = []
    for number, (one, node) in enumerate(usable):
        scaled = np.asarray(one["data"], dtype=np.float64) * (_FOREIGN_FULL_SCALE - 1) / (peak or 1)
        clip = Clip(
            samples=np.rint(scaled).astype(np.int32)[:, None],
            sample_rate_hz=_rate_hz(float(one["abscissa_inc"])),
            full_scale=_FOREIGN_FULL_SCALE,
        )
        row = {
            "x_mm": repr(nodes[node][0]),
            "y_mm": repr(nodes[node][1]),
            "face": "outer",
            "strength": "light",
            "file": _write_clip(directory, f"{number:06d}-node{node}", clip),
        }
        rows.append(row)
    if rows:
        cautions.append(
            "The file does not say which face was struck and how hard: outer and light were taken. "
            "Its nodes are taken as places in the plate frame."
        )
    return rows


def _nodes_of(one: Mapping[str, Any]) -> tuple[int, int]:
    """Where it was struck comes first, then where it was heard."""
    return int(one.get("ref_node", 0)), int(one.get("rsp_node", 0))


def _rate_hz(step_s: float) -> int:
    """The sample rate that a rounded step means."""
    if not np.isfinite(step_s) or step_s <= 0:
        raise TapSetError("A time response has no step in time.", remedy="Export the file again.")
    rate = 1.0 / step_s
    near = min(_RATES_HZ, key=lambda known: abs(known - rate))
    return near if abs(near - rate) <= _RATE_DOUBT * rate else round(rate)


def _write_clip(directory: Path, name: str, clip: Clip) -> str:
    try:
        data, suffix = encode_clip(clip, wav=True)
    except RecordingError as problem:
        raise TapSetError(f"{problem.what} ({name})") from problem
    (directory / "audio" / f"{name}{suffix}").write_bytes(data)
    return f"audio/{name}{suffix}"


def _plate_toml(
    sets: list[Mapping[str, Any]],
    own: list[Mapping[str, Any]],
    nodes: Mapping[int, tuple[float, float, float]],
) -> str:
    values: dict[str, Any] = {}
    for one in sets:
        if one["type"] == 151 and _text(one, "model_name") not in ("", "NONE"):
            values["name"] = _text(one, "model_name")
    if own:
        values["simulated"] = "simulated" in _text(own[0], "id4")
        if MICROPHONE_NODE in nodes:
            values["microphone_xyz_mm"] = nodes[MICROPHONE_NODE]
    return "".join(f"{name} = {toml_value(value)}\n" for name, value in values.items())
