"""A new plate folder, made whole beside its place and then moved there."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from rig.archive import folder_text, rows
from rig.archive.database import DATABASE_NAME, Database
from rig.archive.naming import SOFTWARE, utc_now
from rig.archive.storage import storage_errors
from rig.model.errors import FolderError
from rig.model.plate_facts import PlateFacts


def draft_folder(path: Path, facts: PlateFacts) -> None:
    """Make an empty folder at `path`: there is a whole one afterwards, or none.

    Raises FolderError when there is something of this name already.
    """
    draft = path.with_name(f".{path.name}.new-{os.getpid()}")
    columns = ", ".join(rows.FACT_COLUMNS)
    marks = ", ".join("?" * (len(rows.FACT_COLUMNS) + 3))
    with storage_errors(path):
        if path.exists():
            raise FolderError(
                "There is already something of this name; nothing was changed.",
                where=str(path),
                remedy="Choose another name, or go on with the folder that is there.",
            )
        try:
            (draft / "audio").mkdir(parents=True)
            (draft / "images").mkdir()
            database = Database(draft / DATABASE_NAME, write=True, create=True)
            try:
                with database.transaction() as db:
                    db.execute(
                        f"INSERT INTO plate (id, {columns}, created_utc, software) "
                        f"VALUES ({marks})",
                        (1, *rows.fact_columns(facts).values(), utc_now(), SOFTWARE),
                    )
            finally:
                database.close()
            folder_text.write_texts(draft, {})
            draft.rename(path)
        except BaseException:
            shutil.rmtree(draft, ignore_errors=True)
            raise
