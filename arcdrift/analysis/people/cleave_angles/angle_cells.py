"""Day means of log cleave angle by person and machine, with the matrix that explains them."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.sparse import csr_array

from arcdrift.analysis.common.grouping import group_index, group_span, text_to_category
from arcdrift.analysis.loss.technician_days import NO_CLEAVER, NOBODY
from arcdrift.analysis.people.cleave_angles.recursive_effects import Terms
from arcdrift.arrays import Floats, Ints

PERSON_SD = 0.25
"""Prior standard deviation between people, of log angle; wide, so that data decide soon."""
MACHINE_SD = 0.25
"""The same between cleavers (or splicers, where no cleaver is logged)."""
FIBER_SD = 0.15
"""The same between pairs of fibers."""
MEAN_LOG_ANGLE, MEAN_SD = -0.36, 1.0
"""Prior of the crew's mean: about 0.7 degrees, within a factor of 2.7."""
WEAR_SD = 0.25
"""Prior standard deviation of the rise of log angle over the life of a blade position."""
SUBJECTS = ("machine", "technician")


@dataclass(frozen=True)
class AngleCells:
    """Cells of one person, one machine, one pair of fibers and one day, in order of day.

    Attributes
    ----------
    rows : DataFrame
        ``technician``, ``machine`` (a cleaver, or the splicer where none is logged),
        ``machine_type`` (``cleaver`` or ``splicer``), ``splicer``, ``fibers``, ``day``, ``n``
        splices, ``y`` (mean log angle of both sides), ``squares`` (sum of squared deviations from
        it), ``uneven`` (mean log of right over left), ``cleaves`` on the blade position (NaN where
        its turn is unknown), ``first_at``, ``last_at`` (UTC).
    columns : array of int, shape (cells, 4)
        Positions of intercept, person, machine and fibers among the effects; -1 for an unknown
        person.
    wear : array, shape (cells,)
        Cleaves on the blade position over its life, at most 1, less 0.5; 0 where not known. The
        last effect is its slope. A blade used beyond its life is expected to cleave like one at
        its end, so what lies above that is seen.
    prior_mean, prior_sd : array, shape (effects,)
    codes : dict of array
        Number of the subject of each cell by `SUBJECTS`; -1 for an unknown person.
    names : dict of list
        Names of these subjects.
    """

    rows: pd.DataFrame
    columns: Ints
    wear: Floats
    prior_mean: Floats
    prior_sd: Floats
    codes: dict[str, Ints]
    names: dict[str, list[str]]

    @cached_property
    def terms(self) -> Terms:
        """Effects of each cell: `columns`, and the slope of wear."""
        wear = np.full((len(self.columns), 1), len(self.prior_sd) - 1)
        return Terms(
            np.hstack([np.maximum(self.columns, 0), wear]),
            np.column_stack([self.columns >= 0, self.wear]).astype(np.float64),
        )

    def design(self) -> csr_array:
        """Sparse matrix of all cells, (cells, effects)."""
        return self.terms.matrix(len(self.prior_sd))


def angle_cells(cells: pd.DataFrame, life: float) -> AngleCells:
    """Sum technician days over programs and sites, and number people, machines and fibers.

    Parameters
    ----------
    cells : DataFrame
        From `arcdrift.analysis.loss.technician_days.aggregate_technician_days`, with ``cleaves``
        on the blade position.
    life : float
        Cleaves that a blade position should last.
    """
    used = text_to_category(cells[cells["angles"] > 0])
    logged = used["cleaver"] != NO_CLEAVER
    names = sorted({*used["cleaver"].cat.categories, *used["splicer"].cat.categories})
    cleaver, splicer = (used[name].cat.set_categories(names) for name in ("cleaver", "splicer"))
    keys = {
        "day": used["day"], "machine_type": pd.Series(np.where(logged, 0, 1), used.index),
        "machine": cleaver.where(logged, splicer), "splicer": used["splicer"],
        "technician": used["technician"], "fibers": used["fibers"],
    }  # fmt: skip
    group, first = group_index(*keys.values())
    rows = pd.DataFrame({name: values.array[first] for name, values in keys.items()})
    splices, unknown = used["angles"].to_numpy(dtype=np.float64), used["cleaves"].isna()
    n, total, squares, uneven, worn = (
        np.bincount(group, values)
        for values in (
            splices, used["angle"], used["angle_squares"], used["uneven"],
            used["cleaves"].fillna(0.0) * splices,
        )
    )  # fmt: skip
    y = total / n
    since, until = group_span(group, used["first_at"], used["last_at"])
    machine, first_of_machine = group_index(rows["machine_type"], rows["machine"])
    machines = list(map(str, rows["machine"].array[first_of_machine]))
    person, people = pd.factorize(rows["technician"].where(rows["technician"] != NOBODY), sort=True)
    fiber, fibers = pd.factorize(rows["fibers"], sort=True)
    rows = rows.assign(
        machine_type=pd.Categorical(["cleaver", "splicer"]).take(rows["machine_type"].to_numpy()),
        n=n, y=y, squares=np.maximum(squares - n * y**2, 0.0), uneven=uneven / n,
        cleaves=np.where(np.bincount(group, unknown) > 0, np.nan, worn / n),
        first_at=since, last_at=until,
    )  # fmt: skip
    ends = 1 + np.cumsum([len(people), len(machines), len(fibers)])
    columns = np.column_stack(
        [np.zeros(len(rows), dtype=np.int64), np.where(person >= 0, 1 + person, -1),
         ends[0] + machine, ends[1] + fiber]
    )  # fmt: skip
    prior_sd = np.repeat(
        [MEAN_SD, PERSON_SD, MACHINE_SD, FIBER_SD, WEAR_SD],
        [1, len(people), len(machines), len(fibers), 1],
    )
    prior_mean = np.zeros(len(prior_sd))
    prior_mean[0] = MEAN_LOG_ANGLE
    wear = np.minimum(rows["cleaves"].to_numpy(dtype=np.float64) / life, 1.0) - 0.5
    return AngleCells(
        rows, columns.astype(np.int64), np.nan_to_num(wear), prior_mean, prior_sd,
        {"machine": machine.astype(np.int64), "technician": person.astype(np.int64)},
        {"machine": machines, "technician": list(map(str, people))},
    )  # fmt: skip
