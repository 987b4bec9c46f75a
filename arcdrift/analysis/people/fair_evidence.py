"""What a person's work says apart from the machine that may be at fault.

A person is judged on more than one splicer and cleaver, and without the one most suspect of being
at fault itself.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from arcdrift.analysis.loss.technician_days import NO_CLEAVER
from arcdrift.charts.intervals import Z95
from arcdrift.wording import change_text, interval_text

Answer = Literal["the hand", "the machine", "not separable"]

MEASURE_WORDS = {"loss": "Loss", "angle": "Cleave angles"}
"""What is compared, at the beginning of a sentence."""


@dataclass(frozen=True)
class FairEvidence:
    """Whether something shows in a person's work wherever they work.

    Attributes
    ----------
    answer : str
        ``the hand`` where it shows on other splicers and cleavers than the suspect one too;
        ``the machine`` where it does not; ``not separable`` where that cannot be told.
    words : str
        The answer with its numbers, in one or two sentences.
    suspect : str
        The machine that was left out; empty for none.
    """

    answer: Answer
    words: str
    suspect: str = ""


def pair_name(splicer: str, cleaver: str) -> str:
    """Return the name of a splicer with the cleaver used at it."""
    return splicer if cleaver == NO_CLEAVER else f"{splicer} with {cleaver}"


def fair_evidence(hands: pd.DataFrame, suspect_cleaver: str = "") -> FairEvidence:
    """Judge one person's rows of one measure.

    Parameters
    ----------
    hands : DataFrame
        One person's rows of ``result_hands_by_machine`` of one measure.
    suspect_cleaver : str
        Cleaver that may be at fault, such as that of most runs of bad cleaves; where none is
        named, the pair of splicer and cleaver with the largest difference is left out.
    """
    splicers = sorted(hands["splicer"].unique())
    cleavers = sorted(set(hands["cleaver"]) - {NO_CLEAVER})
    if len(splicers) < 2:
        where = splicers[0] if splicers else "no splicer"
        return FairEvidence(
            "not separable",
            f"Only on {where}: hand and splicer cannot be separated. A few days on another "
            "splicer would tell.",
        )
    if len(cleavers) == 1:
        return FairEvidence(
            "not separable",
            f"Only with cleaver {cleavers[0]}: hand and cleaver cannot be separated. A few days "
            "with another cleaver would tell.",
        )
    known = hands[hands["effect"].notna()]
    if len(known) < 2:
        return FairEvidence(
            "not separable",
            "Too few days beside colleagues on the same splicers to tell hand and machine apart.",
        )
    suspects = (known["cleaver"] == suspect_cleaver).to_numpy()
    if not suspects.any():
        suspects = np.arange(len(known)) == int(known["effect"].to_numpy().argmax())
    rest = known[~suspects]
    suspect = pair_name(*known[suspects].iloc[0][["splicer", "cleaver"]])
    if rest.empty:
        return FairEvidence(
            "not separable", f"Only {suspect} was used enough to tell hand and machine apart."
        )
    effect, low, high = pooled_effect(rest)
    numbers = interval_text(100 * effect, 100 * low, 100 * high, "%", signed=True)
    above = int((known["low"] > 0).sum())
    measured = MEASURE_WORDS[str(known["measure"].iloc[0])]
    places = (
        f"{measured} above the median colleague's on {above} of {len(known)} splicers"
        f"{' with their cleavers' if cleavers else ''}"
        f" ({change_text(float(known['effect'].min()))} to "
        f"{change_text(float(known['effect'].max()))})."
    )
    apart = f"Without {suspect}: {numbers}."
    if low > 0:
        return FairEvidence("the hand", f"{places} {apart}", suspect)
    return FairEvidence(
        "the machine",
        f"Without {suspect} it does not show: {numbers}. Look at that one first.",
        suspect,
    )


def pooled_effect(rows: pd.DataFrame) -> tuple[float, float, float]:
    """Return the mean relative difference over machines with its 95 % interval.

    Notes
    -----
    Weighted by the inverse of the variance on a log scale, with a variance between machines where
    they differ by more than their intervals allow (DerSimonian and Laird 1986, from memory).
    """
    value = np.log1p(rows["effect"].to_numpy(dtype=np.float64))
    floor = np.maximum(rows[["low", "high"]].to_numpy(dtype=np.float64), -0.99)
    sd = np.maximum((np.log1p(floor[:, 1]) - np.log1p(floor[:, 0])) / (2 * Z95), 1e-6)
    weight = 1.0 / sd**2
    mean = np.average(value, weights=weight)
    excess = (weight * (value - mean) ** 2).sum() - (len(value) - 1)
    scale = weight.sum() - (weight**2).sum() / weight.sum()
    between = max(excess / scale, 0.0) if scale > 0 else 0.0
    weight = 1.0 / (sd**2 + between)
    mean = float(np.average(value, weights=weight))
    half = Z95 / float(np.sqrt(weight.sum()))
    return float(np.expm1(mean)), float(np.expm1(mean - half)), float(np.expm1(mean + half))
