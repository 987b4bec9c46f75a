"""Part of the page Records: the files that were sent in from this session, and what is open."""

from collections.abc import Mapping, Sequence
from typing import Any

import dash_mantine_components as dmc
import pandas as pd
from dash import html

from arcdrift.intake.draft.questions import Question
from arcdrift.intake.draft.reading_summary import reading_summary
from arcdrift.intake.schema.import_report import ImportReport
from arcdrift.wording import count_text
from dashboard import ids
from dashboard.components import notice
from dashboard.uploads.upload import Upload

MOST_PROBLEMS = 5
"""Groups of problems of a file that are told here; all stand under Set aside."""
BALANCE = (
    ("accepted", "new"),
    ("already_stored", "known already"),
    ("conflicting", "in conflict"),
    ("quarantined", "set aside"),
)
"""Where the rows of a file went, and the word for it on the page."""


def uploads_part(uploads: Sequence[Upload], *, analyzing: bool, failed: str) -> list[Any]:
    """Return the files of a session, the latest first, and how far the results are."""
    if not uploads:
        return []
    state: Any = None
    if analyzing:
        state = notice("The results are being brought up to date with the new records.")
    elif failed:
        state = notice(failed, name="bad")
    return [
        state,
        html.Ul([_upload(upload) for upload in uploads], className="upload-list plain-list"),
    ]


def _upload(upload: Upload) -> html.Li:
    return html.Li(
        [
            html.Div(
                [html.Strong(upload.name, className="file-name"), _state(upload)],
                className="upload-head",
            ),
            *(_report(report) for report in upload.reports),
            *(notice(problem, name="bad") for problem in upload.problems),
            *(html.P(sentence, className="muted") for sentence in upload.sentences),
        ],
        className=f"upload upload-{upload.state}",
    )


def open_part(uploads: Sequence[Upload]) -> list[Any]:
    """Return the forms that ask what is open about files."""
    return [
        html.Section(
            [
                html.H2(f"{upload.name}: what is open", className="file-name"),
                questions_form(upload),
            ],
            className="card",
        )
        for upload in uploads
        if upload.state == "open"
    ]


def _state(upload: Upload) -> Any:
    if upload.state == "waiting":
        return html.Span("waits for its turn", className="muted")
    if upload.state == "reading":
        words = "reading"
        if upload.rows:
            words = f"{upload.rows_done:,} of about {upload.rows:,} rows"
        share = upload.rows_done / upload.rows if upload.rows else 0.0
        return html.Span(
            [
                html.Progress(
                    value=f"{share:.3f}", max="1", **{"aria-label": f"Reading {upload.name}"}
                ),
                html.Span(words),
            ],
            className="upload-progress",
        )
    if upload.state == "open":
        return html.Span("not imported yet: answer below", className="doubt")
    return None


def balance_text(report: ImportReport) -> str:
    """Say where the rows of a file went: "1,200 rows: 1,180 new, 20 known already"."""
    parts = [
        f"{getattr(report.balance, name):,} {word}"
        for name, word in BALANCE
        if getattr(report.balance, name)
    ]
    return f"{count_text(report.balance.rows, 'row')}: {', '.join(parts) or 'none'}"


def _report(report: ImportReport) -> html.Div:
    problems = [*report.problems, *report.still_wrong]
    more = len(problems) - MOST_PROBLEMS
    return html.Div(
        [
            html.P([html.Strong(f"{report.file}, {report.kind}. "), f"{balance_text(report)}."]),
            html.Ul(
                [
                    *(html.Li(str(problem)) for problem in problems[:MOST_PROBLEMS]),
                    html.Li(f"and {count_text(more, 'other problem')}") if more > 0 else None,
                ]
            )
            if problems
            else None,
            html.P(f"{count_text(report.mended, 'row')} set aside before came in right.")
            if report.mended
            else None,
        ],
        className="upload-report",
    )


def questions_form(upload: Upload) -> html.Div:
    """Return the form that asks what is open about a file, with the first rows as they would be."""
    return html.Div(
        [
            html.Div(
                [_question(upload, question) for question in upload.questions],
                className="upload-questions",
            ),
            html.Div(id=ids.upload_preview(upload.token), className="upload-preview"),
            html.Div(
                [
                    html.Button(
                        "Import it so", id=ids.upload_answer(upload.token), className="button big"
                    ),
                    html.Button(
                        "Leave it out", id=ids.upload_drop(upload.token), className="button quiet"
                    ),
                ],
                className="row",
            ),
        ]
    )


def _question(upload: Upload, question: Question) -> Any:
    name = ids.upload_question(upload.token, question.key)
    value = upload.answers.get(question.key) or question.suggestion or None
    if not question.options:
        return dmc.TextInput(
            id=name, label=question.text, value=value or "", size="md", className="wide-field",
            debounce=400,
        )  # fmt: skip
    return dmc.Select(
        id=name,
        label=question.text,
        data=[{"value": option.answer, "label": option.label} for option in question.options],
        value=value,
        placeholder="choose",
        size="md",
        className="wide-field",
        comboboxProps={"withinPortal": True},
    )


def preview_part(draft: Any, rows: pd.DataFrame) -> Any:
    """Return the first rows as they would be stored, and in a sentence how the file is read."""
    if draft is None:
        return notice("Nothing tells yet how this file is to be read.")
    said = html.P(reading_summary(draft), className="muted")
    if rows.empty:
        return html.Div([said, notice("No row can be read so.")])
    columns = [name for name in rows.columns if name != "problem"]
    wrong = bool(rows["problem"].ne("").any())
    return html.Div(
        [
            said,
            html.Div(
                html.Table(
                    [
                        html.Caption("The first rows as they would be stored; times are UTC"),
                        html.Thead(
                            html.Tr(
                                [
                                    *(html.Th(name, scope="col") for name in columns),
                                    html.Th("what is wrong", scope="col") if wrong else None,
                                ]
                            )
                        ),
                        html.Tbody(
                            [_preview_row(row, columns, wrong) for row in rows.to_dict("records")]
                        ),
                    ],
                    className="plain-table",
                ),
                className="sideways",
                tabIndex="0",
                role="region",
                **{"aria-label": "The first rows as they would be stored"},
            ),
        ]
    )


def _preview_row(row: Mapping[Any, Any], columns: Sequence[str], wrong: bool) -> html.Tr:
    return html.Tr(
        [
            *(html.Td(_cell(row[name])) for name in columns),
            html.Td(row["problem"], className="doubt") if wrong else None,
        ]
    )


def _cell(value: Any) -> str:
    if pd.isna(value):
        return ""
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d %H:%M:%S}"
    return f"{value:g}" if isinstance(value, float) else str(value)
