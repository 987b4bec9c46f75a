"""Every page of a crew: its address, its pictures, and what is wrong with how it is laid out.

``python -m tests.browser.every_page FOLDER [CREW ...] [--only WORD]`` takes the pictures.
"""

import argparse
import sys
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from dashboard.reading.data import CrewData
from dashboard.url_query import href
from tests.browser.driving import PHONE, WIDE, Watched, launched, served
from tests.browser.many_crews import CREWS

ZOOMED = {"width": 700, "height": 450}
PAPER = {"width": 794, "height": 1123}
"""A4 in pixels of CSS, as rules of a style sheet see it; print.js leaves out the margins."""
LOOKS: dict[str, tuple[dict[str, int], int, str, str]] = {
    "wide": (WIDE, 1, "light", "screen"),
    "phone": (PHONE, 1, "light", "screen"),
    "wide-dark": (WIDE, 1, "dark", "screen"),
    "phone-dark": (PHONE, 1, "dark", "screen"),
    "zoomed": (ZOOMED, 2, "light", "screen"),
    "print": (PAPER, 1, "dark", "print"),
}
"""Size of the window, pixels of the screen for one of CSS, colors, medium."""
FAULTS = """() => {
    const width = document.documentElement.clientWidth, said = [];
    if (document.documentElement.scrollWidth > width)
        said.push(`scrolls sideways: ${document.documentElement.scrollWidth} of ${width} px`);
    const name = e => `${e.tagName.toLowerCase()}.${String(e.className.baseVal ?? e.className)
        .split(' ').slice(0, 3).join('.')} "${(e.textContent || '').trim().slice(0, 40)}"`;
    const within = e => {  // what scrolls by itself, or ends in an ellipsis
        for (let up = e.parentElement; up && up !== document.body; up = up.parentElement) {
            const style = getComputedStyle(up);
            if (style.overflowX !== 'visible') return true;
        }
        return e.closest('.for-readers, .skip, svg');
    };
    for (const e of document.querySelectorAll('body *')) {
        const style = getComputedStyle(e), box = e.getBoundingClientRect();
        if (box.width < 2 || !e.checkVisibility({visibilityProperty: true}) || within(e)) continue;
        if (box.right > width + 1 && box.left < width && !e.closest('.mantine-NavLink-root'))
            said.push(`beyond the edge by ${Math.round(box.right - width)} px: ${name(e)}`);
        const own = [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
        if (own && e.scrollWidth > e.clientWidth + 1 && e.clientWidth
            && style.overflowX !== 'visible' && style.textOverflow !== 'ellipsis'
            && style.overflowX !== 'auto')
            said.push(`cut off: ${name(e)}`);
    }
    for (const text of document.querySelectorAll('.main-svg text')) {
        const box = text.getBoundingClientRect();
        const chart = text.closest('.js-plotly-plot').getBoundingClientRect();
        const cut = getComputedStyle(text.ownerSVGElement).overflowX !== 'visible';
        if (cut && box.width && (box.right > chart.right + 2 || box.left < chart.left - 2))
            said.push(`cut off in a chart: "${text.textContent.slice(0, 40)}"`);
    }
    return [...new Set(said)].slice(0, 12);
}"""
SMALL_TARGETS = """() => [...document.querySelectorAll(
        'a.csv, .button, button:not(.modebar-btn), summary, select, a.chip, .back, .more')]
    .filter(e => {
        const box = e.getBoundingClientRect();
        return box.width && e.checkVisibility({visibilityProperty: true}) && box.height < 43.5
            && !e.closest('.for-readers, .skip, .js-plotly-plot, .ag-root-wrapper');
    }).map(e => `${Math.round(e.getBoundingClientRect().height)} px high: `
        + `${e.tagName.toLowerCase()}.${e.className} "${e.textContent.trim().slice(0, 30)}"`)"""


def addresses(folder: Path) -> dict[str, str]:
    """Return the address of each page of a crew, by a short name."""
    data = CrewData(folder)
    found = {
        "shift": "/",
        "splicer": "/splicer",
        "week": "/week",
        "loss": "/loss",
        "checks": "/checks",
        "upkeep": "/upkeep",
        "coaching": "/coaching",
        "cases": "/cases",
        "revisit": "/cases/revisit",
        "budget": "/budget",
        "records": "/records",
        "nowhere": "/nowhere",
    }
    streams, people, cases = data.result("result_streams"), data.technicians(), data.cases()
    if len(streams):
        first = streams.sort_values("change", ascending=False).iloc[0]
        found["stream"] = href("/loss", splicer=first["splicer"], program=first["program"])
        found["of-splicer"] = href("/loss", subject=f"splicer:{first['splicer']}")
        found["other-splicer"] = href("/splicer", splicer=streams["splicer"].iloc[-1])
    if people:
        found["of-person"] = href("/loss", subject=f"technician:{people[0]}")
        found["person"] = href("/person", technician=people[0])
        found["shown-person"] = href("/person", technician=people[0], show="1")
    found |= {f"case-{number}": f"/cases/{case['id']}" for number, case in enumerate(cases[:3])}
    return found


def open_page(watched: Watched, path: str) -> Page:
    """Open a page, and wait until it stands and has faded in."""
    page = watched.go(path)
    page.wait_for_timeout(350)
    return page


def visit(browser: Browser, address: str, look: str) -> Watched:
    """Open a browser's window of one look."""
    size, scale, colors, medium = LOOKS[look]
    on_paper = medium == "print"
    # what is printed was on a wide screen first
    context = browser.new_context(viewport=WIDE if on_paper else size, device_scale_factor=scale)
    context.add_cookies([{"name": "arcdrift-scheme", "value": colors, "url": address}])
    watched = Watched(context, address)
    watched.page.set_default_timeout(300_000)  # advice about many splicers takes its time
    watched.open("/nowhere")
    return watched


def lay_out_on_paper(page: Page) -> None:
    """Show a page on the screen as it would be printed."""
    page.emulate_media(media="print")
    page.set_viewport_size(PAPER)
    page.evaluate("() => window.dispatchEvent(new Event('beforeprint'))")
    page.wait_for_timeout(300)


def leave_paper(page: Page) -> None:
    """Undo `lay_out_on_paper`."""
    page.evaluate("() => window.dispatchEvent(new Event('afterprint'))")
    page.emulate_media(media="null")
    page.set_viewport_size(WIDE)


def faults(watched: Watched, page: Page, look: str) -> list[str]:
    """Return what is wrong with the page that is open, in words."""
    found: list[str] = page.evaluate(FAULTS)
    if look.startswith("phone"):
        found += page.evaluate(SMALL_TARGETS)
    found += watched.troubles
    watched.troubles.clear()
    return found


def take_pictures(crew: str, target: Path, looks: list[str], only: str) -> None:
    """Write pictures of all pages of a crew, and say what is wrong with them."""
    folder = target / "crews" / crew
    if not folder.exists():
        CREWS[crew](folder)
    pictures = target / "pictures"
    pictures.mkdir(exist_ok=True)
    with served(folder, prefetch_advice=True) as address, sync_playwright() as playwright:
        browser = launched(playwright)
        for look in looks:
            watched = visit(browser, address, look)
            for name, path in addresses(folder).items():
                if only and only != name:
                    continue
                page = open_page(watched, path)
                file = pictures / f"{crew}-{name}-{look}"
                if look == "print":
                    page.pdf(path=f"{file}.pdf", prefer_css_page_size=True)
                    lay_out_on_paper(page)
                found = faults(watched, page, look)
                if look == "print":
                    leave_paper(page)
                else:
                    page.screenshot(path=f"{file}.png", full_page=True)
                height = page.evaluate("() => document.documentElement.scrollHeight")
                lines = [f"{crew} {name} {look}: {height} px", *(f"    {each}" for each in found)]
                sys.stdout.write("\n".join(lines) + "\n")
                sys.stdout.flush()
        browser.close()


def main() -> None:
    """Read what is asked for, and take the pictures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", type=Path)
    parser.add_argument("crews", nargs="*", default=list(CREWS))
    parser.add_argument("--only", default="", help="name of one page")
    parser.add_argument("--looks", default=",".join(LOOKS))
    asked = parser.parse_args()
    asked.target.mkdir(exist_ok=True)
    for crew in asked.crews or list(CREWS):
        take_pictures(crew, asked.target, asked.looks.split(","), asked.only)


if __name__ == "__main__":
    main()
