"""Hypotheses beyond one machine or person: a program or its fiber, a site, the whole crew."""

from functools import partial

import numpy as np

from arcdrift.analysis.causes.hypothesis import MIN_SPLICES, Hypothesis, ShiftEvidence
from arcdrift.arrays import Bools

NEW_FIBERS, NEW_FIBERS_SIGN = 0.15, 3.0
"""Increase of the share of a pair of fibers that is a change of fibers, and its log likelihood
ratio."""
AIR_MOVED = 1.5
"""Change of the air that is mentioned, in standard deviations of the days before."""


def crew_wide_hypotheses(evidence: ShiftEvidence) -> list[Hypothesis]:
    """Hypotheses on programs and fibers, sites and the crew."""
    return [*_streams(evidence), *_programs(evidence), *_sites(evidence), *_crew(evidence)]


def _streams(evidence: ShiftEvidence) -> list[Hypothesis]:
    found = []
    codes = evidence.codes("stream")
    for code in codes:
        cells, name = evidence.cells_with("stream", code), evidence.name("stream", code)
        splicer = int(evidence.window.code("splicer")[cells][0])
        rest = evidence.cells_with("splicer", splicer) & ~cells
        found += _fibers(evidence, cells, name, len(codes))
        other_change = evidence.loss_change(rest)
        if other_change is None:
            # the splicer has no other programs, so program and splicer cannot be separated
            continue
        why = (
            f"{name} changed by {evidence.loss_change(cells) or 0.0:+.0%}, "
            f"the other programs of {evidence.name('splicer', splicer)} by {other_change:+.0%}"
        )
        found.append(
            Hypothesis("this program or the fiber it is used on", partial(str, why),
                  evidence.loss_evidence(cells) + evidence.log_prior("program here", len(codes)))
        )  # fmt: skip
    return found


def _fibers(evidence: ShiftEvidence, cells: Bools, name: str, among: int) -> list[Hypothesis]:
    window, code = evidence.window, evidence.window.code("fibers")
    size = len(window.cells.names["fibers"])
    now, before = (
        np.bincount(code[part], window.n[part], minlength=size) / max(window.n[part].sum(), 1.0)
        for part in (cells & window.after, cells & ~window.after)
    )
    new_pair = int(np.argmax(now - before))
    if now[new_pair] - before[new_pair] < NEW_FIBERS or before[new_pair] > 0.5 * now[new_pair]:
        return []
    joined = cells & (code == new_pair)
    why = (
        f"{evidence.name('fibers', new_pair)} was {before[new_pair]:.0%} of {name} before and "
        f"{now[new_pair]:.0%} since"
    )
    relative = evidence.relative_loss(joined & window.after)
    if relative is not None:
        why += f", with {evidence.noun} {relative:+.0%} against what is usual with this program"
    score = evidence.loss_evidence(joined) + evidence.log_prior("fibers", among) + NEW_FIBERS_SIGN
    return [Hypothesis("other fibers joined with this program", partial(str, why), score)]


def _programs(evidence: ShiftEvidence) -> list[Hypothesis]:
    found = []
    codes = evidence.codes("program")
    for code in codes:
        cells, name = evidence.cells_with("program", code), evidence.name("program", code)
        if len(np.unique(evidence.window.code("splicer")[cells & evidence.window.after])) < 2:
            continue
        found.append(
            Hypothesis(
                "a program on all splicers, or a batch of the fiber it is used on",
                partial(_program_text, evidence, cells, name),
                evidence.loss_evidence(cells) + evidence.log_prior("program", len(codes)),
            )
        )
    return found


def _sites(evidence: ShiftEvidence) -> list[Hypothesis]:
    found = []
    codes = evidence.codes("site")
    for code in codes:
        cells, name = evidence.cells_with("site", code), evidence.name("site", code)
        here = len(np.unique(evidence.window.code("splicer")[cells & evidence.window.after]))
        if not 2 <= here < evidence.splicers:
            continue
        found.append(
            Hypothesis(
                f"the place: weather, dust or work at {name}",
                partial(_site_text, evidence, cells, name),
                evidence.loss_evidence(cells) + evidence.log_prior("site", len(codes)),
            )
        )
    return found


def _crew(evidence: ShiftEvidence) -> list[Hypothesis]:
    if evidence.splicers < 3:
        return []
    all_cells = np.ones(len(evidence.subject_cells), dtype=bool)
    return [
        Hypothesis(
            "the whole crew: weather, a batch of fiber or the work",
            partial(_crew_text, evidence, all_cells),
            evidence.loss_evidence(all_cells) + evidence.log_prior("crew"),
        )
    ]


def _program_text(evidence: ShiftEvidence, cells: Bools, name: str) -> str:
    text = f"{name} moved on every splicer ({evidence.largest_parts_text(cells, 'splicer')})"
    return text + evidence.change_text(~cells, ", other programs by {}")


def _site_text(evidence: ShiftEvidence, cells: Bools, name: str) -> str:
    text = f"every splicer at {name} moved ({evidence.largest_parts_text(cells, 'splicer')})"
    return (
        text + evidence.change_text(~cells, ", those elsewhere by {}") + _air_text(evidence, cells)
    )


def _crew_text(evidence: ShiftEvidence, cells: Bools) -> str:
    return f"the whole crew moved ({evidence.largest_parts_text(cells, 'splicer')})" + _air_text(
        evidence, cells
    )


def _air_text(evidence: ShiftEvidence, cells: Bools) -> str:
    """Text on the air of a set since the onset if it differed from the days before."""
    texts = []
    for column, quantity, unit, digits in (
        ("density", "air density", "kg/m³", 3), ("vapor", "vapor pressure", "hPa", 0),
    ):  # fmt: skip
        means, spread = [], 0.0
        for part in (cells & evidence.window.after, cells & ~evidence.window.after):
            known = evidence.window.sums("density_n")[part]
            if known.sum() < MIN_SPLICES:
                return ""
            values = evidence.window.sums(column)[part] / np.maximum(known, 1.0)
            means.append(float(np.average(values, weights=known)))
            spread = float(np.sqrt(np.average((values - means[-1]) ** 2, weights=known)))
        now, before = means
        if abs(now - before) > AIR_MOVED * max(spread, 1e-9):
            texts.append(f"{quantity} {before:.{digits}f} {unit} before and {now:.{digits}f} since")
    return "; " + ", ".join(texts) if texts else ""
