"""Recognize a file that was imported before with the same settings, without reading its rows.

All its rows are stored already, so that a repeat is only a line in the list of imports
(`arcdrift.store.imports.repeated_imports`).
"""

import hashlib
import json
import time
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, select

from arcdrift import __version__
from arcdrift.instants import microseconds
from arcdrift.intake.layout.layouts import Layout
from arcdrift.intake.schema.import_report import ImportReport, columns_without_name
from arcdrift.intake.schema.problems import Balance
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.imports.corrected_rows import close_corrected, count_corrected
from arcdrift.store.imports.import_list import add_import

_OF_THE_FILE = (
    "sha256",
    "size_bytes",
    "kind",
    "header",
    "delimiter",
    "given",
    "to_the_second",
    "dates_alone",
    "lines",
    "other_lines",
    "rows",
    "line_counts",
    "days_from_1904",
    "settings_sha256",
    "judged_at",
)


def settings_digest(
    crew: Crew, layout: Layout | None, kind: str | None, sheet: str | None, words: str
) -> str:
    """SHA-256 of everything besides a file that decides how its rows are read.

    Parameters
    ----------
    kind : str, optional
        The kind that was asked for.
    sheet : str, optional
        Sheet of a workbook.
    words : str
        Texts of the crew's own word lists.
    """
    settings = {
        "version": __version__,
        "layout": None if layout is None else layout.model_dump(mode="json"),
        "kind": kind,
        "sheet": sheet,
        "words": words,
        "time_zone": crew.time_zone,
        "sites": {name: site.time_zone for name, site in crew.sites.items()},
        "splicers": {name: splicer.home_site for name, splicer in crew.splicers.items()},
    }
    return hashlib.sha256(json.dumps(settings, sort_keys=True).encode()).hexdigest()


def known_import(
    connection: Connection, sha256: str, settings_sha256: str, now: datetime
) -> Row[Any] | None:
    """Find the import of the same file with the same settings; None if every row must be read.

    Parameters
    ----------
    now : aware datetime
        Times that lay in the future at an import are judged anew.
    """
    imports = schema.imports.columns
    query = select(schema.imports).where(
        imports.sha256 == sha256,
        imports.settings_sha256 == settings_sha256,
        imports.judged_at <= microseconds(now),
        imports.undone_at.is_(None),
    )
    return connection.execute(query.order_by(imports.id).limit(1)).one_or_none()


def store_repeat(
    connection: Connection, known: Row[Any], about: Mapping[str, Any], began: float
) -> ImportReport:
    """Store that a known file was imported again.

    Parameters
    ----------
    connection : Connection
        From `arcdrift.store.database.connect.writing`.
    known : Row
        From `known_import`.
    about, began
        As for `arcdrift.intake.storing.log_import.LogImport.store`.
    """
    original = known.id if known.same_as is None else known.same_as
    import_id = add_import(
        connection,
        {name: known._mapping[name] for name in _OF_THE_FILE}
        | {
            **about,
            "accepted": 0,
            "already_stored": known.rows,
            "conflicting": 0,
            "quarantined": 0,
            "same_as": original,
            "seconds": time.perf_counter() - began,
        },
    )
    close_corrected(connection, import_id)
    return ImportReport(
        file=about["file_name"],
        kind=known.kind,
        import_id=import_id,
        balance=Balance(
            lines=known.lines,
            rows=known.rows,
            **json.loads(known.line_counts),
            accepted=0,
            already_stored=known.rows,
            conflicting=0,
            quarantined=0,
        ),
        seconds=time.perf_counter() - began,
        mended=count_corrected(connection, import_id),
        left_out=columns_without_name(json.loads(known.header)),
    )
