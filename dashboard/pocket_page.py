"""A splicer's verdict and setting on one small page, which a phone keeps for places without signal.

It is plain HTML with data of nobody but the splicer. The page says when it was made, and a script
says how long ago that is; `assets/pocket-worker.js` shows the kept copy where there is no signal.
"""

import json
from datetime import UTC, datetime
from html import escape
from pathlib import Path

import segno
from flask import Flask, Response, request

from dashboard.access.current_user import current_user
from dashboard.access.roles import ANYBODY, for_role
from dashboard.access.served_address import ServedAddress
from dashboard.components import View, shown_time
from dashboard.my_splicer import COOKIE, COOKIE_SECONDS, cookie_value, my_splicer
from dashboard.pages.splicer.advice_card import advice_card, advice_now
from dashboard.pages.splicer.checklist_card import checklist_card
from dashboard.reading.data import CrewData
from dashboard.static_html import as_html
from dashboard.url_query import href

PATH = "/pocket"
SIGN_IN_META = "arcdrift-sign-in"
"""Name of what tells `assets/pocket.js` that a page may be kept on this device."""
ASSETS = Path(__file__).parent / "assets"
MANIFEST = {
    "name": "arcdrift",
    "short_name": "arcdrift",
    "start_url": "/",
    "scope": "/",
    "display": "standalone",
    "background_color": "#f4f6f8",
    "theme_color": "#0072b2",
    "icons": [
        {"src": "/assets/mark-192.png", "sizes": "192x192", "type": "image/png"},
        {"src": "/assets/mark-512.png", "sizes": "512x512", "type": "image/png"},
        {
            "src": "/assets/mark-512.png",
            "sizes": "512x512",
            "type": "image/png",
            "purpose": "maskable",
        },
    ],
}
PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title} · arcdrift</title>
<link rel="icon" type="image/svg+xml" href="/assets/mark.svg">
<link rel="manifest" href="/manifest.webmanifest">{sign_in}
<link rel="stylesheet" href="/assets/arcdrift.css">
<link rel="stylesheet" href="/assets/sign-in.css">
<script src="/assets/pocket.js" defer></script>
</head>
<body class="pocket" data-scheme="{scheme}">
<main>
<p class="brand"><span class="mark" aria-hidden="true"></span> arcdrift</p>
<h1>{title}</h1>
{body}
</main>
</body>
</html>
"""


def register(server: Flask, data: CrewData, address: ServedAddress) -> None:
    """Attach the page, its worker, the manifest and the address as a QR code."""

    @server.get(PATH)
    @for_role("technician")
    def pocket() -> Response:
        asked = request.args.get("splicer")
        splicer = asked if asked in data.splicers() else None if asked else my_splicer(data)
        scheme = request.cookies.get("arcdrift-scheme", "light")
        response = Response(
            data.in_one_state(lambda: pocket_html(data, splicer, scheme)), mimetype="text/html"
        )
        if asked and splicer:
            response.set_cookie(
                COOKIE,
                cookie_value(splicer),
                max_age=COOKIE_SECONDS,
                secure=address.is_https,
                samesite="Lax",
            )
        return response

    @server.get("/pocket-worker.js")
    @for_role(ANYBODY)
    def pocket_worker() -> Response:
        # from the root, because a worker sees only pages below its own address
        return Response(
            (ASSETS / "pocket-worker.js").read_bytes(),
            mimetype="text/javascript",
            headers={"Cache-Control": "no-cache"},
        )

    @server.get("/manifest.webmanifest")
    @for_role(ANYBODY)
    def manifest() -> Response:
        return Response(json.dumps(MANIFEST), mimetype="application/manifest+json")

    @server.get("/address.svg")
    @for_role("technician")
    def address_code() -> Response:
        code = segno.make(address.url, error="m", micro=False)
        image = code.svg_inline(scale=5, border=4, dark="#000", light="#fff", omitsize=True)
        image = image.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
        return Response(image, mimetype="image/svg+xml")


def pocket_html(data: CrewData, splicer: str | None, scheme: str) -> str:
    """Return the page of a splicer, or the choice among all where none is named."""
    dark = scheme == "dark"
    run = data.run()
    if splicer is None or run is None:
        words = "Choose the splicer in your van. Its page stays on the phone, also without signal."
        return _page("My splicer", f"<p>{words}</p>{_links(data)}", dark=dark)
    view = View(data, run, {}, "dark" if dark else "light")
    advice, trouble = advice_now(view, splicer)
    items = () if advice is None else advice.start_of_day
    card = as_html(
        [advice_card(view, splicer, advice, trouble, with_air=True), checklist_card(items)]
    )
    made = datetime.now(UTC)
    stamp = (
        f'<p class="pocket-age" role="status">As of <time datetime="{made.isoformat()}">'
        f"{escape(shown_time(made, data, splicer))}</time><span></span></p>"
    )
    others = f"<details><summary>Another splicer</summary>{_links(data)}</details>"
    address = escape(href("/splicer", splicer=splicer))
    full = f'<p><a class="button" href="{address}">Open the full page</a></p>'
    return _page(splicer, stamp + card + full + others, dark=dark)


def _links(data: CrewData) -> str:
    rows = "".join(
        f'<li><a href="{escape(href(PATH, splicer=name))}">{escape(name)}</a></li>'
        for name in data.splicers()
    )
    return f'<ul class="plain-list">{rows}</ul>'


def _page(title: str, body: str, *, dark: bool) -> str:
    return PAGE.format(
        title=escape(title),
        body=body,
        scheme="dark" if dark else "light",
        sign_in="" if current_user() is None else f'\n<meta name="{SIGN_IN_META}" content="yes">',
    )
