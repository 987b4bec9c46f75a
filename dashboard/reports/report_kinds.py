"""Every kind of report; a new one is a function that gathers its contents, and a template."""

from dashboard.reports.crew_report import month_report, week_report
from dashboard.reports.report import ReportKind

REPORT_KINDS: dict[str, ReportKind] = {
    "week": ReportKind("crew.html", "technician", week_report, "week"),
    "month": ReportKind("crew.html", "technician", month_report, "month"),
}
"""By the name in addresses and on the command line."""
