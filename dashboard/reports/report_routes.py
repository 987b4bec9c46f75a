"""Reports as downloads, at a plain link."""

from flask import Flask, Response, abort, request

from arcdrift.errors import UsageError
from dashboard.access.roles import for_role, may
from dashboard.access.served_address import ServedAddress
from dashboard.components import View
from dashboard.reading.data import CrewData
from dashboard.reports.report import PAPERS, Asked, Report, make_report
from dashboard.reports.report_kinds import REPORT_KINDS
from dashboard.url_query import parse


def register(server: Flask, data: CrewData, address: ServedAddress) -> None:
    """Attach the route: ``/report/KIND.html`` under the query of the page with its button."""

    @server.get("/report/<kind_name>.html")
    @for_role("technician")
    def report(kind_name: str) -> Response:
        kind = REPORT_KINDS.get(kind_name)
        if kind is None or data.run() is None:
            abort(404)
        if not may(data.viewer, kind.least_role):
            abort(403)
        query = parse(request.query_string.decode("utf-8", "replace"))
        paper = query.pop("paper", "")

        def made() -> Report:
            run = data.run()
            if run is None:
                abort(404)
            asked = Asked(
                View(data, run, query, "light"),
                "" if address.is_only_here else address.url,
                paper if paper in PAPERS else "",
            )
            return make_report(kind_name, kind, asked)

        try:
            found = data.in_one_state(made)
        except UsageError as problem:  # of what the address asks for
            return Response(f"{problem}\n", status=400, mimetype="text/plain")
        return Response(
            found.html,
            mimetype="text/html",
            headers={"Content-Disposition": f'attachment; filename="{found.file_name}.html"'},
        )
