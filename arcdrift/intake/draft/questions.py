"""What a sample leaves open: questions that a person can answer."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Option:
    """One answer to a question, and how it is shown."""

    answer: str
    label: str


@dataclass(frozen=True)
class Question:
    """Something that neither the headers nor the values of a sample decide.

    Attributes
    ----------
    key : str
        What is open, as a draft lists it under ``undecided``; an answer is given under this key.
    text : str
        The question in a sentence.
    options : tuple of Option
        Possible answers; empty if any text is one.
    suggestion : str
        The likeliest text, if any text is an answer.
    lasting : bool
        Whether the answer also holds for later files with the same headers.
    """

    key: str
    text: str
    options: tuple[Option, ...] = ()
    suggestion: str = ""
    lasting: bool = True

    def answer_to(self, reply: str) -> str | None:
        """The answer that a reply means: an option by its number or text; None for none."""
        reply = reply.strip()
        if not self.options:
            return reply or self.suggestion or None
        if reply.isdecimal() and 1 <= int(reply) <= len(self.options):
            return self.options[int(reply) - 1].answer
        same = [option for option in self.options if option.answer.casefold() == reply.casefold()]
        return same[0].answer if same else None
