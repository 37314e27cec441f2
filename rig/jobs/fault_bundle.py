"""A small zip that says what went wrong: traceback, versions, rig file. Nothing personal."""

from __future__ import annotations

import os
import platform
import traceback
import zipfile
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path

from rig import __version__

_PARTS = ("numpy", "scipy", "PyQt5", "pyqtgraph", "sounddevice", "pyserial",
          "opencv-python-headless")  # fmt: skip


def fault_bundle(
    failure: BaseException, rig_file: Path | str | None = None, into: Path | None = None
) -> Path | None:
    """Write the bundle and return its path; None where nothing can be written.

    Names of the user and of the home directory are taken out of all texts.
    """
    from platformdirs import user_log_path

    now = datetime.now(UTC)
    directory = into or user_log_path("platerig", appauthor=False)
    path = directory / f"platerig-fault-{now:%Y%m%d-%H%M%S-%f}.zip"
    versions = [f"platerig {__version__}", f"Python {platform.python_version()}",
                f"{platform.system()} {platform.machine()}"]  # fmt: skip
    for part in _PARTS:
        try:
            versions.append(f"{part} {metadata.version(part)}")
        except metadata.PackageNotFoundError:
            versions.append(f"{part} is not installed")
    texts = {
        "fault.txt": f"{now:%Y-%m-%dT%H:%M:%SZ}\n" + "".join(traceback.format_exception(failure)),
        "versions.txt": "\n".join(versions) + "\n",
    }
    try:
        if rig_file is not None:
            texts["rig.toml"] = Path(rig_file).read_text(encoding="utf-8", errors="replace")
        directory.mkdir(parents=True, exist_ok=True)
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as bundle:
            for name, text in texts.items():
                bundle.writestr(name, _impersonal(text))
    except OSError:
        return None
    return path


def _impersonal(text: str) -> str:
    """The text without the home directory and the user's name."""
    home = str(Path.home())
    if len(home) > 1:
        text = text.replace(home, "~")
    user = os.environ.get("USER") or os.environ.get("LOGNAME") or ""
    return text.replace(f"/{user}/", "/USER/") if user else text
