"""The page to sign in on: plain HTML that needs no script."""

from html import escape

PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Sign in · arcdrift</title>
<link rel="icon" type="image/svg+xml" href="/assets/mark.svg">
<link rel="manifest" href="/manifest.webmanifest">
<link rel="stylesheet" href="/assets/arcdrift.css">
<link rel="stylesheet" href="/assets/sign-in.css">
<script src="/assets/forget.js" defer></script>
</head>
<body class="sign-in" data-scheme="{scheme}">
<main>
<p class="brand"><span class="mark" aria-hidden="true"></span> arcdrift</p>
<h1>Sign in to {crew}</h1>
{message}
<form method="post" action="/sign-in">
<label for="name">Your name</label>
<input id="name" name="name" value="{name}" autocomplete="username" autocapitalize="none"
 spellcheck="false" maxlength="64" required {focus_name}>
<label for="password">Password</label>
<input id="password" name="password" type="password" autocomplete="current-password"
 maxlength="256" required {focus_password}>
<input type="hidden" name="next" value="{wanted}">
<button type="submit">Sign in</button>
</form>
<p class="muted">Forgotten the password? Whoever runs this dashboard gives you a new one.</p>
</main>
</body>
</html>
"""


def sign_in_page(
    crew: str, *, wanted: str = "/", name: str = "", message: str = "", scheme: str = "light"
) -> str:
    """Return the page as HTML.

    Parameters
    ----------
    wanted : str
        Address to go to afterwards, of this server.
    name : str
        Name that was typed before.
    message : str
        Why the last attempt was refused; empty for none.
    """
    return PAGE.format(
        crew=escape(crew),
        wanted=escape(wanted),
        name=escape(name),
        message=f'<p class="trouble" role="alert">{escape(message)}</p>' if message else "",
        scheme="dark" if scheme == "dark" else "light",
        focus_name="" if name else "autofocus",
        focus_password="autofocus" if name else "",
    )
