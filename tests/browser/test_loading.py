"""What a browser loads: Plotly with the traces in use, and no script twice."""

import ast
from pathlib import Path

import plotly.graph_objects as go
import pytest
from playwright.sync_api import Browser
from plotly.basedatatypes import BaseTraceType

import arcdrift.figures
import dashboard
from dashboard.serving.sent_files import PLOTLY_FILE
from tests.browser.driving import WIDE, Watched

pytestmark = pytest.mark.browser

CHARTS = "/loss?splicer=Kestrel&program=single-mode+fixed"
PLOTLY = """() => ({
    version: Plotly.version,
    traces: Object.keys(Plotly.PlotSchema.get().traces),
    scripts: performance.getEntriesByType('resource')
        .filter(one => one.initiatorType === 'script')
        .map(one => [one.name, one.transferSize]),
})"""


def traces_in_use() -> set[str]:
    """Types of traces in the code of figures and pages, as `go.Scatter(...)` or ``"type"``."""
    known = {
        name.lower()
        for name in dir(go)
        if isinstance(getattr(go, name), type) and issubclass(getattr(go, name), BaseTraceType)
    }
    found: set[str] = set()
    for package in (arcdrift.figures, dashboard):
        for path in Path(str(package.__file__)).parent.rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Attribute):
                    is_go = isinstance(node.value, ast.Name) and node.value.id == "go"
                    found |= {node.attr.lower()} if is_go else set()
                elif isinstance(node, ast.Dict):
                    found |= {
                        value.value
                        for key, value in zip(node.keys, node.values, strict=True)
                        if isinstance(key, ast.Constant) and key.value == "type"
                        and isinstance(value, ast.Constant) and isinstance(value.value, str)
                    }  # fmt: skip
    return found & known


def test_the_bundle_draws_every_trace_in_use(browser: Browser, address: str):
    context = browser.new_context(viewport=WIDE)
    first = Watched(context, address).open(CHARTS).evaluate(PLOTLY)
    used = traces_in_use()
    assert {"scatter", "bar", "heatmap"} <= used
    assert used <= set(first["traces"])
    assert f"-{first['version']}.min" in PLOTLY_FILE
    loaded = [name for name, _ in first["scripts"] if "plotly" in name]
    assert loaded == [f"{address}/assets/{PLOTLY_FILE}"]
    # a browser that comes again asks only for what Dash gives no version
    second = Watched(context, address).open(CHARTS).evaluate(PLOTLY)
    again = [name for name, sent in second["scripts"] if sent and "/async-" not in name]
    assert again == []
    context.close()


def test_a_part_that_is_no_longer_sent_as_html_leaves_nothing(browser: Browser, address: str):
    context = browser.new_context(viewport=WIDE)
    page = Watched(context, address).open("/loss")
    page.evaluate("""() => {
        const part = document.createElement("ul");
        part.id = "some-list";
        part.dataset.html = "<li>long</li><li>list</li>";
        document.getElementById("page").append(part);
    }""")
    page.wait_for_function("document.querySelectorAll('#some-list li').length === 2")
    page.evaluate("""() => {
        const part = document.getElementById("some-list");
        part.removeAttribute("data-html");
        part.append(Object.assign(document.createElement("li"), { textContent: "short" }));
    }""")
    page.wait_for_function("document.getElementById('some-list').textContent === 'short'")
    page.evaluate("() => { document.getElementById('some-list').dataset.html = '<li>new</li>'; }")
    page.wait_for_function("document.getElementById('some-list').textContent === 'new'")
    context.close()
