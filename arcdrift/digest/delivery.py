"""What ways of delivery have in common: how they fail."""

from collections.abc import Callable

from arcdrift.errors import BadInput

Handover = Callable[[], None]
"""Called once, just before a message may begin to leave; raises if it must not."""
TIMEOUT_S = 30.0
"""Longest wait for an answer of a server, in seconds."""


class DeliveryFailed(BadInput):
    """A message did not leave, or was refused: it may be tried again."""


class TakenUp(DeliveryFailed):
    """Another run has taken the message up meanwhile: this one must not send it."""


class DeliveryInDoubt(DeliveryFailed):
    """A message left, and its server did not say whether it took it: it must not be repeated."""


def answer_text(code: int | None, text: bytes | str) -> str:
    """Return the answer of a server as the end of a sentence, shortened and on one line."""
    words = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
    words = " ".join("".join(c if c.isprintable() else " " for c in words).split())
    words = words if len(words) <= 120 else f"{words[:119]}…"
    return " ".join(part for part in (str(code or ""), words) if part).rstrip(".")
