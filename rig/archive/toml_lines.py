"""Where in a TOML text a key stands, for messages that name the line."""

from __future__ import annotations

import re
from collections.abc import Sequence

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]")


def line_of(text: str, path: Sequence[str | int]) -> int | None:
    """Line, from 1, of the key or table at `path`, such as ("bed", "marker", 1, "size_mm").

    The nearest enclosing table's line when the key itself is not there (a missing key); None when
    neither can be found.
    """
    names = [part for part in path if isinstance(part, str)]
    number = next((part for part in path if isinstance(part, int)), 0)
    section: list[str] = []
    repeats: dict[str, int] = {}
    nearest: int | None = None
    for line_number, line in enumerate(text.splitlines(), start=1):
        header = _HEADER.match(line)
        if header:
            name = header[2].replace(" ", "")
            section = [part.strip("\"'") for part in name.split(".")]
            if header[1] == "[[":
                repeats[name] = repeats.get(name, -1) + 1
            right_one = header[1] == "[" or repeats[name] == number
            if right_one and section == names:
                return line_number
            if right_one and section == names[:-1]:
                nearest = line_number
            continue
        key, equals, _ = line.partition("=")
        if not equals or key.lstrip().startswith("#"):
            continue
        written = section + [part.strip().strip("\"'") for part in key.split(".")]
        in_other_repeat = repeats.get(".".join(section), number) != number
        if written == names[: len(written)] and len(written) > len(section) and not in_other_repeat:
            return line_number
    return nearest
