"""Ids of all components that callbacks use."""

URL = "url"
PAGE = "page"
PROVIDER = "provider"
SCHEME = "scheme"
SCHEME_BUTTON = "scheme-button"
DRAWN = "drawn"
RESULTS_VERSION = "results-version"
RESULTS_TIMER = "results-timer"
TROUBLE = "trouble"
WRITTEN = "written"
CASE_SAID = "case-said"
REVISIT_PRESSED = "revisit-pressed"
CREW_NAME = "crew-name"
UPLOADS_SENT = "uploads-sent"
UPLOADS_TIMER = "uploads-timer"


def filter_control(key: str, default: str = "") -> dict[str, str]:
    """Id of the control that sets `key` in the URL's query; its default is left out there."""
    return {"type": "filter", "key": key, "default": default}


def shift_slot(mine: str) -> dict[str, str]:
    """Id of the container where the splicers are loaded again, with more of the advice."""
    return {"type": "shift-slot", "mine": mine}


def shift_timer(mine: str) -> dict[str, str]:
    """Id of the timer that asks for more of the advice until all of it is there."""
    return {"type": "shift-timer", "mine": mine}


def rest_slot(query: str) -> dict[str, str]:
    """Id of the container where the rest of a splicer's page is loaded after its advice."""
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


def mark_field(name: str) -> dict[str, str]:
    """Id of one field of the form that leaves days out of a baseline or freezes it."""
    return {"type": "mark-field", "name": name}


def mark_save(splicer: str, program: str) -> dict[str, str]:
    """Id of the button that saves that form for a stream."""
    return {"type": "mark-save", "splicer": splicer, "program": program}


def mark_answer(splicer: str, program: str) -> dict[str, str]:
    """Id of the container that says why a mark was refused."""
    return {"type": "mark-answer", "splicer": splicer, "program": program}


def note_field(name: str) -> dict[str, str]:
    """Id of one field of the form for a coaching note."""
    return {"type": "note-field", "name": name}


def note_save(technician: str) -> dict[str, str]:
    """Id of the button that saves a coaching note, by the technician's name as shown."""
    return {"type": "note-save", "technician": technician}


def note_answer(technician: str) -> dict[str, str]:
    """Id of the container that says why a note was refused."""
    return {"type": "note-answer", "technician": technician}


def undo_note(number: int) -> dict[str, str | int]:
    """Id of the button that withdraws a coaching note."""
    return {"type": "undo-note", "number": number}


def coaching_log(technician: str) -> dict[str, str]:
    """Id of the container of a person's notes and the form to add one."""
    return {"type": "coaching-log", "technician": technician}


def budget_save(query: str) -> dict[str, str]:
    """Id of the button that saves the false-alarm budget of an address."""
    return {"type": "budget-save", "query": query}


def budget_seen(query: str) -> dict[str, str]:
    """Id of what crew.toml said of the budget when the button that saves one was drawn."""
    return {"type": "budget-seen", "query": query}


def budget_answer(query: str) -> dict[str, str]:
    """Id of the container that says whether that budget was saved."""
    return {"type": "budget-answer", "query": query}


def undo_mark(number: int) -> dict[str, str | int]:
    """Id of the button that withdraws a mark of a baseline."""
    return {"type": "undo-mark", "number": number}


def trial_slot(query: str) -> dict[str, str]:
    """Id of the container where the alarms under a tried budget are loaded."""
    return {"type": "trial-slot", "query": query}


def written_field(form: str, name: str) -> dict[str, str]:
    """Id of a field of a form that writes down a check, service or remark."""
    return {"type": "written-field", "form": form, "name": name}


def written_choice(form: str, name: str) -> dict[str, str]:
    """Id of a choice of such a form, which cannot be wrong."""
    return {"type": "written-choice", "form": form, "name": name}


def written_save(form: str, splicer: str) -> dict[str, str]:
    """Id of the button that saves such a form."""
    return {"type": "written-save", "form": form, "splicer": splicer}


def written_trouble(form: str) -> dict[str, str]:
    """Id of the container that says why nothing of a form was stored."""
    return {"type": "written-trouble", "form": form}


def written_answer(splicer: str) -> dict[str, str]:
    """Id of the container that says what was last written down at a splicer."""
    return {"type": "written-answer", "splicer": splicer}


def undo_written(number: int, place: str) -> dict[str, str | int]:
    """Id of a button that undoes what was written down."""
    return {"type": "undo-written", "number": number, "place": place}


def case_save(case: str, action: str, version: int) -> dict[str, str | int]:
    """Id of the button that says something about a case, by the version that the person sees."""
    return {"type": "case-save", "case": case, "action": action, "version": version}


def case_text(form: str, name: str) -> dict[str, str]:
    """Id of a line of text in a form about a case, in which Enter saves."""
    return {"type": "case-text", "form": form, "name": name}


def case_choice(form: str, name: str) -> dict[str, str]:
    """Id of a choice or a day in a form about a case."""
    return {"type": "case-choice", "form": form, "name": name}


def case_answer(place: str) -> dict[str, str]:
    """Id of the container that says what was last written down: of a case, or of splices."""
    return {"type": "case-answer", "place": place}


def news(place: str) -> dict[str, str]:
    """Id of what became known when, from which the browser finds what is new."""
    return {"type": "news", "place": place}


def news_line(place: str) -> dict[str, str]:
    """Id of the line that says what is new since the reader's previous visit."""
    return {"type": "news-line", "place": place}


def new_mark(case: str, what: str, at: int) -> dict[str, str | int]:
    """Id of the mark beside a case; `at` is when `what` became known, in ms since 1970."""
    return {"type": "new-mark", "case": case, "what": what, "at": at}


def folded(page: str, part: str, query: str) -> dict[str, str]:
    """Id of the line that opens a folded part of a page under a query."""
    return {"type": "folded", "page": page, "part": part, "query": query}


def folded_slot(page: str, part: str, query: str) -> dict[str, str]:
    """Id of the container where that part is loaded."""
    return {"type": "folded-slot", "page": page, "part": part, "query": query}


def uploads(place: str) -> dict[str, str]:
    """Id of the container of the files that were sent in."""
    return {"type": "uploads", "place": place}


def uploads_open(place: str) -> dict[str, str]:
    """Id of the container of the forms that ask what is open about them."""
    return {"type": "uploads-open", "place": place}


def undo_answer(place: str) -> dict[str, str]:
    """Id of the container that says whether an import was undone."""
    return {"type": "undo-answer", "place": place}


def upload_question(token: str, key: str) -> dict[str, str]:
    """Id of the field that answers what is open about a file that was sent in."""
    return {"type": "upload-question", "token": token, "key": key}


def upload_answer(token: str) -> dict[str, str]:
    """Id of the button that imports a file under these answers."""
    return {"type": "upload-answer", "token": token}


def upload_drop(token: str) -> dict[str, str]:
    """Id of the button that takes a file back about which something is open."""
    return {"type": "upload-drop", "token": token}


def upload_preview(token: str) -> dict[str, str]:
    """Id of the container of a file's first rows as they would be stored."""
    return {"type": "upload-preview", "token": token}


def import_undo(number: int) -> dict[str, str | int]:
    """Id of the button that undoes an import."""
    return {"type": "import-undo", "number": number}


def mend_grid(number: int) -> dict[str, str | int]:
    """Id of the grid of the rows of an import that were set aside."""
    return {"type": "mend-grid", "number": number}


def mend_try(number: int) -> dict[str, str | int]:
    """Id of the button that imports them again as they are mended."""
    return {"type": "mend-try", "number": number}


def mend_why(number: int) -> dict[str, str | int]:
    """Id of the field for why they are given up."""
    return {"type": "mend-why", "number": number}


def mend_drop(number: int) -> dict[str, str | int]:
    """Id of the button that gives them up."""
    return {"type": "mend-drop", "number": number}


def mend_answer(number: int) -> dict[str, str | int]:
    """Id of the container that says what became of them."""
    return {"type": "mend-answer", "number": number}


def conflict_keep(number: int, choice: str) -> dict[str, str | int]:
    """Id of the button that decides a conflict."""
    return {"type": "conflict-keep", "number": number, "choice": choice}


def conflict_answer(place: str) -> dict[str, str]:
    """Id of the container that says how a conflict was decided."""
    return {"type": "conflict-answer", "place": place}


def clocks(place: str) -> dict[str, str]:
    """Id of the container of the card about wrong clocks."""
    return {"type": "clocks", "place": place}


def clock_field(splicer: str, start: str, name: str) -> dict[str, str]:
    """Id of a field of the form for the clock shift of a stretch."""
    return {"type": "clock-field", "splicer": splicer, "start": start, "name": name}


def clock_set(splicer: str, start: str) -> dict[str, str]:
    """Id of the button that sets the clock shift of a stretch."""
    return {"type": "clock-set", "splicer": splicer, "start": start}


def clock_answer(splicer: str, start: str) -> dict[str, str]:
    """Id of the container that says why a clock shift was not set."""
    return {"type": "clock-answer", "splicer": splicer, "start": start}


def clock_undo(splicer: str, number: int) -> dict[str, str | int]:
    """Id of the button that undoes a clock shift."""
    return {"type": "clock-undo", "splicer": splicer, "number": number}


def clock_undo_answer(splicer: str, number: int) -> dict[str, str | int]:
    """Id of the container that says why a clock shift was not undone."""
    return {"type": "clock-undo-answer", "splicer": splicer, "number": number}


def setup_form(place: str) -> dict[str, str]:
    """Id of the container of the fields that set a new crew up."""
    return {"type": "setup-form", "place": place}


def setup_field(name: str, row: int = 0) -> dict[str, str | int]:
    """Id of one of them; sites and splicers have several rows."""
    return {"type": "setup-field", "name": name, "row": row}


def setup_button(action: str) -> dict[str, str]:
    """Id of the button that saves them, or adds a row."""
    return {"type": "setup-button", "action": action}
