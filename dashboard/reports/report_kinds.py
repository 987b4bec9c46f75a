"""Every kind of report; a new one is a function that gathers its contents, and a template."""

from dashboard.reports.client_report import client_report
from dashboard.reports.crew_report import month_report, week_report
from dashboard.reports.person_report import person_report
from dashboard.reports.report import ReportKind
from dashboard.reports.setting_card import setting_card
from dashboard.reports.shift_sheet import shift_sheet
from dashboard.reports.splicer_report import splicer_report

REPORT_KINDS: dict[str, ReportKind] = {
    "week": ReportKind("crew.html", "technician", week_report, "week"),
    "month": ReportKind("crew.html", "technician", month_report, "month"),
    "client": ReportKind("client.html", "lead", client_report, "month"),
    "shift": ReportKind("shift.html", "technician", shift_sheet),
    "splicer": ReportKind("splicer.html", "technician", splicer_report, "splicer"),
    "person": ReportKind("person.html", "technician", person_report, "person"),
    "card": ReportKind("card.html", "technician", setting_card, "splicer"),
}
"""By the name in addresses and on the command line."""
