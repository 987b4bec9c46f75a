"""Names written from right to left are set apart in the sentences of pages.

Names come from files and stand in sentences of every page. This looks at answers as they leave,
so that no page can forget it; most crews have no such name, and then nothing is done.
"""

import json
import re
from typing import Any

from flask import Flask, Response, request

from arcdrift.wording import RIGHT_TO_LEFT, TURNING, isolated_text

ANSWERS = ("/_dash-update-component", "/_dash-layout")
SENTENCES = ("children", "title", "label", "aria-label")
"""Properties of components that people read."""
OTHERS = ("figure", "rowData", "columnDefs", "data-html")
"""Properties whose words are set apart where they are made."""
_TURNS = re.compile(f"[{TURNING}{RIGHT_TO_LEFT}]")
_ESCAPED = re.compile(
    r"\\u(?:05[9a-f]|0[678]|200[ef]|202[a-e]|206[6-9]|d80[23]|d83[ab]|f[bcd]|fe[7-f])",
    re.IGNORECASE,
)
"""The same where JSON has escapes in their place."""


def install(server: Flask) -> None:
    """Attach it to a server."""

    @server.after_request
    def isolate(response: Response) -> Response:
        if request.path in ANSWERS and response.status_code == 200 and response.is_json:
            body = response.get_data(as_text=True)
            if _TURNS.search(body) or _ESCAPED.search(body):
                response.set_data(json.dumps(isolated(json.loads(body))))
        return response


def isolated(node: Any, name: str = "") -> Any:
    """Return a part of an answer with its sentences set right.

    Parameters
    ----------
    name : str
        Name of the property that it is.
    """
    if isinstance(node, dict):
        return {key: part if key in OTHERS else isolated(part, key) for key, part in node.items()}
    if isinstance(node, list):
        return [isolated(part, name) for part in node]
    return isolated_text(node) if isinstance(node, str) and name in SENTENCES else node
