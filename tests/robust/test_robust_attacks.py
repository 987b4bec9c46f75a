"""Every attack on a running dashboard comes to nothing; each has a faster form in
tests/dashboard/access.
"""

from collections.abc import Iterator

import pytest

from tests.robust.attacks import ATTACKS, Target, attacked

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def target(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Target]:
    with attacked(tmp_path_factory.mktemp("attacked")) as served:
        yield served


@pytest.mark.parametrize("name", ATTACKS)
def test_an_attack_comes_to_nothing(target: Target, name: str) -> None:
    ATTACKS[name](target)
