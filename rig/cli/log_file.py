"""Where the details of an unexpected failure go."""

from __future__ import annotations

import sys
import traceback
from datetime import UTC, datetime
from pathlib import Path

from rig import __version__


def keep_traceback(failure: BaseException) -> Path | None:
    """Append the traceback to the user's log and return its path; None if no log can be kept."""
    from platformdirs import user_log_path

    try:
        path = user_log_path("platerig", appauthor=False) / "platerig.log"
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("a", encoding="utf-8") as log:
            log.write(f"\n{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ} platerig {__version__}\n")
            log.write(f"arguments: {sys.argv[1:]}\n")
            log.writelines(traceback.format_exception(failure))
    except OSError:
        return None
    return path
