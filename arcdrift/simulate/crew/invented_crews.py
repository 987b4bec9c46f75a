"""Scenarios of invented crews: one of any size, and the one of the sample logs.

Splicers are named after birds, technicians after trees.
"""

from dataclasses import replace
from datetime import date, datetime, time

import numpy as np

from arcdrift.errors import UsageError
from arcdrift.simulate.crew.faults import Fault
from arcdrift.simulate.crew.loss_law import STUDIED, LossLaw
from arcdrift.simulate.crew.scenario import (
    Habits,
    ModelSpec,
    ProgramSpec,
    Scenario,
    SiteSpec,
    SplicerSpec,
    TechnicianSpec,
)

BIRDS = (
    "Heron", "Kestrel", "Plover", "Dunlin", "Osprey", "Curlew", "Tern", "Lapwing", "Avocet",
    "Bittern", "Dipper", "Egret", "Fulmar", "Gannet", "Godwit", "Grebe", "Harrier", "Ibis",
    "Petrel", "Pipit", "Redshank", "Sandpiper", "Shrike", "Siskin", "Snipe", "Teal",
    "Turnstone", "Whimbrel", "Wigeon", "Woodcock",
)  # fmt: skip
TREES = (
    "Alder", "Birch", "Cedar", "Larch", "Spruce", "Poplar", "Hemlock", "Walnut", "Tamarack",
    "Hornbeam", "Hickory", "Cypress", "Mulberry", "Sycamore", "Chestnut", "Whitebeam",
    "Buckthorn", "Basswood", "Redwood", "Cottonwood", "Sweetgum", "Ironwood", "Spindle",
    "Medlar", "Quince", "Tupelo", "Catalpa", "Sumac", "Pinyon", "Boxwood",
)  # fmt: skip
SITES = (
    SiteSpec("Harbor", 12.0, logger_min=30),
    SiteSpec("Valley", 610.0, logger_min=None, station_min=60),
    SiteSpec("Pass", 2740.0, logger_min=30),
)
MORE_SITES = ("Moor", "Quarry", "Ridge", "Ford", "Meadow", "Orchard", "Delta", "Mesa", "Marsh",
              "Grove", "Canyon", "Prairie")  # fmt: skip
MODELS = (
    ModelSpec("Model A"),
    ModelSpec(
        "Model B", unit="%", scale=0.5, step=0.5, electrode_life_arcs=6000,
        counter_resets=False, own_air=True,
    ),
)  # fmt: skip
PROGRAMS = (
    ProgramSpec("single-mode adaptive", "self-adjusting", mean_db=0.028, shape=1.0),
    ProgramSpec("single-mode fixed", "fixed", mean_db=0.034, shape=1.3),
    ProgramSpec(
        "mixed-fiber recipe", "custom", fiber_b="G.655", mean_db=0.048, shape=1.7,
        radius_b_um=4.9,
    ),
)  # fmt: skip
DEFAULT_HABITS = Habits(weekend=0.03, indoor=0.1)
"""Habits of `invented_crew`: a little weekend work, some heated rooms."""
_PROGRAM_SHARES = ((0.88, 0.12, 0.0), (0.12, 0.88, 0.0), (0.75, 0.0, 0.25))


def invented_crew(
    *,
    splicers: int = 8,
    technicians: int | None = None,
    days: int = 120,
    splices_per_day: float = 60.0,
    seed: int = 1,
    start: date = date(2026, 7, 20),
    faults: tuple[Fault, ...] = (),
    sites: int = 3,
    habits: Habits = DEFAULT_HABITS,
    losses: LossLaw = STUDIED,
) -> Scenario:
    """Make up a crew of any size, without faults unless they are given.

    Parameters
    ----------
    splicers, technicians : int
        How many of each; by default five technicians for every four splicers.
    days : int
        Calendar days.
    splices_per_day : float
        Mean splices of a splicer on a workday.
    seed : int
        The same seed gives the same crew and the same logs.
    start : date
        First local day.
    faults : tuple of Fault
        The planted faults.
    sites : int
        Number of sites: Harbor, Valley and Pass, then others of random elevation.
    habits : Habits
        Missed and late checks, weekends, nights, heated rooms.
    losses : LossLaw
        Parameters of the scatter of losses.

    Returns
    -------
    Scenario
        The first splicer is ``Heron``, the first technician ``Alder``.
    """
    site_specs = _sites(sites, seed)
    rng = np.random.default_rng([seed, 0x0C4E3])
    technician_count = -(-5 * splicers // 4) if technicians is None else technicians
    holder_shares = _holder_shares(technician_count, seed)
    splicer_specs = tuple(
        SplicerSpec(
            name=_numbered_name(BIRDS, n),
            model=MODELS[int(n % 8 in (4, 6, 7))].name,
            home_site=site_specs[(0, 1, 0, 1, 1, 1, 0, 2)[n % 8] if sites == 3 else n % sites].name,
            cleaver=f"C{n + 1}",
            base=round(float(rng.normal(100, 8)), 1),
            loss_factor=round(float(np.exp(0.12 * rng.normal())), 3),
            estimate_bias_db=round(float(rng.normal(0.002, 0.003)), 4),
            arcs_at_start=int(rng.integers(100, 4300)),
            blade_position=int(rng.integers(1, 17)),
            programs=tuple(
                (program.name, share)
                for program, share in zip(PROGRAMS, _PROGRAM_SHARES[n % 3], strict=True)
            ),
        )
        for n in range(splicers)
    )
    technician_specs = tuple(
        TechnicianSpec(
            name=_numbered_name(TREES, n),
            loss_factor=round(float(np.exp(0.06 * rng.normal())), 3),
            cleave_median_deg=round(float(0.7 * np.exp(0.12 * rng.normal())), 3),
            holder_share=holder_shares[n],
        )
        for n in range(technician_count)
    )
    return Scenario(
        name=f"Simulated crew of {splicers} splicer{'' if splicers == 1 else 's'} (invented)",
        sites=site_specs,
        models=MODELS,
        splicers=splicer_specs,
        technicians=technician_specs,
        programs=PROGRAMS,
        start=start,
        days=days,
        splices_per_day=splices_per_day,
        seed=seed,
        faults=faults,
        habits=habits,
        losses=losses,
        ideal_gas=True,
        whole_truth=True,
    )


def sample_scenario() -> Scenario:
    """Return the scenario of the sample logs in data/sample.

    Returns
    -------
    Scenario
        Eight splicers, ten technicians, three sites, 120 days that include the end of daylight
        time; the records stop at 10:30 of the last day.
    """
    crew = invented_crew(splices_per_day=62.0, seed=20260720)
    arcs_at_start = {
        "Heron": 1900, "Kestrel": 3600, "Plover": 3000, "Dunlin": 3000, "Osprey": 5200,
        "Curlew": 400, "Tern": 2500, "Lapwing": 4100,
    }  # fmt: skip
    name = "Tarnwater crew (invented)"
    return replace(
        crew,
        name=name,
        splicers=tuple(replace(s, arcs_at_start=arcs_at_start[s.name]) for s in crew.splicers),
        technicians=tuple(
            replace(t, joins=date(2026, 9, 14), practice_days=4) if t.name == "Hornbeam" else t
            for t in crew.technicians
        ),
        days_off=(date(2026, 9, 7),),
        ends_at=time(10, 30),
        today=(("Dunlin", "unchecked"), ("Tern", "unchecked"), ("Lapwing", "not-started")),
        faults=_sample_faults(name),
        broken_rows=True,
        habits=Habits(),
        losses=LossLaw(),
        ideal_gas=False,
        whole_truth=False,
    )


def _sample_faults(crew: str) -> tuple[Fault, ...]:
    return (
        Fault(
            "careless", "Hemlock", datetime(2026, 7, 20), None, 1.35,
            "Hemlock cleaves in haste and cleans little: angles and losses are high on every "
            "splicer.",
        ),
        Fault(
            "checks-skipped", "Tern", datetime(2026, 8, 17), datetime(2026, 8, 29), 0.8,
            "Nobody at Tern took the daily check seriously for a fortnight.",
        ),
        Fault(
            "site-move", "Curlew", datetime(2026, 8, 24), datetime(2026, 9, 19), 0.0,
            "Curlew worked at Pass for four weeks; its setting followed the thin air.",
            target="Pass",
        ),
        Fault(
            "arc-drift", "Plover", datetime(2026, 9, 8), None, 0.25,
            "An electrode holder of Plover works loose: the needed setting creeps up.",
        ),
        Fault(
            "v-grooves-dirty", "Dunlin", datetime(2026, 10, 19, 7),
            datetime(2026, 11, 6, 16, 30), 1.5,
            "Dust in Dunlin's v-grooves raises losses until they are cleaned.",
        ),
        Fault(
            "electrodes-late", "Heron", datetime(2026, 7, 20), datetime(2026, 11, 1), 5600.0,
            "Heron's electrodes were replaced over 1,000 arcs after their limit.",
        ),
        Fault(
            "arc-step", "Kestrel", datetime(2026, 9, 22, 11, 20), None, 12.0,
            "A knock damaged an electrode of Kestrel; replacing the pair cured it.",
        ),
        Fault(
            "blade-overdue", "C8", datetime(2026, 9, 28), datetime(2026, 10, 24), 0.0,
            "The blade of C8 stayed on one position for four weeks; angles rose.",
        ),
        Fault(
            "check-failed", "Osprey", datetime(2026, 10, 7), datetime(2026, 10, 8), 0.0,
            "Osprey failed its check and was used all day.",
        ),
        Fault(
            "cold-front", crew, datetime(2026, 10, 13, 5), datetime(2026, 10, 18), 14.0,
            "A cold front passed; settings followed the air and nothing is wrong.",
        ),
        Fault(
            "readings-gap", "Pass", datetime(2026, 10, 20, 6), datetime(2026, 10, 22, 6), 0.0,
            "The logger at Pass was without power for two days.",
        ),
        Fault(
            "fiber-position", "Lapwing", datetime(2026, 8, 20), None, 0.0,
            "Grit in a v-groove of Lapwing: most of its errors are of the fiber's position.",
        ),
    )  # fmt: skip


def _holder_shares(technicians: int, seed: int) -> list[float]:
    """Share of days with holders: some people use clamps only, some holders only, some both."""
    rng = np.random.default_rng([seed, 0x401DE2])
    kind, both = rng.random(technicians), rng.uniform(0.3, 0.7, technicians)
    return [round(float(share), 2) for share in np.select([kind < 0.3, kind < 0.5], [0, 1], both)]


def _sites(count: int, seed: int) -> tuple[SiteSpec, ...]:
    if count < 1:
        raise UsageError("A crew needs at least one site.")
    rng = np.random.default_rng([seed, 0x517E5])
    more_sites = (
        SiteSpec(
            _numbered_name(MORE_SITES, n),
            round(float(rng.uniform(5, 2600))),
            # every third site has only a weather station
            logger_min=None if n % 3 == 2 else 30,
            station_min=60 if n % 3 == 2 else None,
        )
        for n in range(count - len(SITES))
    )
    return (*SITES[:count], *more_sites)


def _numbered_name(names: tuple[str, ...], number: int) -> str:
    round_number, index = divmod(number, len(names))
    return names[index] if round_number == 0 else f"{names[index]} {round_number + 1}"
