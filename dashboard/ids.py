"""Every component id, in one place."""

URL = "url"
PAGE = "page"
PROVIDER = "provider"
SCHEME = "scheme"
SCHEME_BUTTON = "scheme-button"
DRAWN = "drawn"
RESULTS_VERSION = "results-version"
RESULTS_TIMER = "results-timer"
TROUBLE = "trouble"


def filter_control(key: str, default: str = "") -> dict[str, str]:
    """Id of the control that sets `key` in the URL's query; its default is left out there."""
    return {"type": "filter", "key": key, "default": default}


def advice_slot(splicer: str) -> dict[str, str]:
    """Id of the place where a splicer's advice appears once it is worked out."""
    return {"type": "advice-slot", "splicer": splicer}


def rest_slot(query: str) -> dict[str, str]:
    """Id of the place where the rest of a splicer's page appears, after the advice stands."""
    return {"type": "rest-slot", "query": query}


def link_grid(name: str) -> dict[str, str]:
    """Id of a grid whose chosen row's ``href`` is followed."""
    return {"type": "link-grid", "name": name}


def splice_grid(splicer: str, program: str, day: str) -> dict[str, str]:
    """Id of the grid that pages through one stream's splices."""
    return {"type": "splice-grid", "splicer": splicer, "program": program, "day": day}


def clickable_chart(name: str) -> dict[str, str]:
    """Id of a chart whose clicked point sets the day in the URL's query."""
    return {"type": "clickable-chart", "name": name}
