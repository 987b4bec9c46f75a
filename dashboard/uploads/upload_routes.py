"""The address that takes files in, one a request."""

from flask import Flask, Response, jsonify, request

from arcdrift.errors import ArcdriftError, UsageError
from arcdrift.store.cases.case_statements import MAX_NAME_LENGTH
from dashboard.access.current_user import current_user
from dashboard.access.roles import for_role
from dashboard.error_page import sentence
from dashboard.forms import typed_name
from dashboard.my_splicer import my_splicer
from dashboard.reading.data import CrewData
from dashboard.uploads.upload import Sender, session_of_request
from dashboard.uploads.uploads import Uploads

ADDRESS = "/records/files"
MAX_NAME = 200
"""Letters of a file's name that are kept, the last ones."""


def register(server: Flask, data: CrewData, uploads: Uploads) -> None:
    """Attach the route: a file as the body, its name and who sends it in the query."""

    @server.post(ADDRESS)
    @for_role("technician")
    def receive_file() -> tuple[Response, int]:
        try:
            name = _file_name(request.args.get("name", ""))
            upload = uploads.receive(
                name, request.stream, sender_of_request(data, request.args.get("by", ""))
            )
        except ArcdriftError as problem:
            return jsonify(problem=sentence(problem)), 400
        return jsonify(token=upload.token), 202


def sender_of_request(data: CrewData, typed: str | None) -> Sender:
    """Return who sends a file in with the present request.

    Parameters
    ----------
    typed : str
        The name that was typed where nobody signs in.

    Raises
    ------
    UsageError
        When a technician has not said which splicer is theirs.
    """
    user = current_user()
    if user is None:
        return Sender(typed_name(typed)[:MAX_NAME_LENGTH])
    only = None
    if user.viewer.role == "technician":
        only = my_splicer(data)
        if only is None:
            raise UsageError(
                "Choose your splicer first: open its page and press Make it mine. A technician "
                "adds the records of their own splicer."
            )
    return Sender(user.name, session_of_request(), only)


def _file_name(text: str) -> str:
    """Return the name of a file as it is kept: without signs that cannot be shown."""
    name = "".join(sign for sign in text.replace("\\", "/") if sign.isprintable()).strip("/ ")
    return name[-MAX_NAME:] or "file"
