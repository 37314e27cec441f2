"""The words of a bag: a folder laid out after BagIt 1.0 (RFC 8493), kept in one zip file.

NAME.plate/               the bag; RFC 8493, section 4: one directory at the top of the zip
  bagit.txt, bag-info.txt, README.txt
  manifest-sha256.txt     SHA-256 of every file below data/
  tagmanifest-sha256.txt  SHA-256 of the files above
  data/NAME.plate/…       the plate folder, every file as it was
"""

from __future__ import annotations

from rig.model.errors import FolderDamagedError

DECLARATION_NAME, INFO_NAME, README_NAME = "bagit.txt", "bag-info.txt", "README.txt"
MANIFEST_NAME, TAG_MANIFEST_NAME = "manifest-sha256.txt", "tagmanifest-sha256.txt"
PAYLOAD = "data"
DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
README = """\
This file holds everything that was recorded on one plate of a stringed instrument.

It is a plain zip file without compression. Inside it follows BagIt (RFC 8493, "The BagIt File
Packaging Format"), which libraries and archives use to keep files for a long time:

  data/                   the plate folder itself, every file as it was. Its own README.txt explains
                          the database (SQLite 3), the recordings (FLAC or WAV) and all units.
  manifest-sha256.txt     SHA-256 of every file below data/
  tagmanifest-sha256.txt  SHA-256 of the files beside it
  bag-info.txt            name, number of files and bytes (Payload-Oxum: bytes.files)
  bagit.txt               says that this is a bag

To open it without platerig: unzip it anywhere and take the folder out of data/.
To check it without platerig, inside the unzipped folder:  sha256sum -c manifest-sha256.txt
With platerig:  platerig unpack FILE  checks every file first and then lays the folder out.

All times of files in the zip are set to 1980-01-01, so that packing the same folder twice gives the
same file to the last bit; the times of the recordings are in the database.
"""


def is_plain(name: str) -> bool:
    """Whether a path may be packed and unpacked: no backslash and no control letters."""
    return "\\" not in name and all(ord(letter) >= 32 and ord(letter) != 127 for letter in name)


def manifest_text(hashes: dict[str, str]) -> str:
    """The lines of a manifest, sorted by path; awkward letters in paths are encoded."""
    return "".join(f"{digest}  {_encoded(path)}\n" for path, digest in sorted(hashes.items()))


def manifest_of_text(text: str, where: str) -> dict[str, str]:
    """Path → hash; raises FolderDamagedError for a line that is none, or a path given twice."""
    found: dict[str, str] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        digest, gap, path = line.partition(" ")
        path = _decoded(path.strip().removeprefix("*").removeprefix("./"))
        if not gap or not path or not set(digest.lower()) <= set("0123456789abcdef"):
            raise FolderDamagedError(
                f"Line {number} of the manifest is no hash with a path.", where=where
            )
        if found.get(path, digest.lower()) != digest.lower():
            raise FolderDamagedError(
                f"The manifest gives two hashes for {path} (line {number}).", where=where
            )
        found[path] = digest.lower()
    return found


def info_text(name: str, description: str, software: str, octets: int, files: int) -> str:
    """The lines of bag-info.txt. No date: the same folder gives the same bag."""
    values = {
        "External-Identifier": name,
        "External-Description": description,
        "Bag-Software-Agent": software,
        "Payload-Oxum": f"{octets}.{files}",
    }
    return "".join(f"{key}: {' '.join(value.split())}\n" for key, value in values.items())


def oxum_of_text(text: str) -> tuple[int, int] | None:
    """Bytes and files that the payload should have; None where bag-info.txt does not say."""
    for line in text.splitlines():
        key, _, value = line.partition(":")
        if key.strip().lower() == "payload-oxum":
            octets, _, files = value.strip().partition(".")
            if octets.isascii() and octets.isdigit() and files.isascii() and files.isdigit():
                return int(octets), int(files)
    return None


def _encoded(path: str) -> str:
    """RFC 8493, section 2.1.3: LF, CR and the percent sign itself."""
    return path.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")


def _decoded(path: str) -> str:
    for code, letter in (("%0A", "\n"), ("%0a", "\n"), ("%0D", "\r"), ("%0d", "\r")):
        path = path.replace(code, letter)
    return path.replace("%25", "%")
