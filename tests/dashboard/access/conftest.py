"""A crew whose people sign in, and browsers that have."""

from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType

import pytest
from dash import Dash
from flask.testing import FlaskClient

from arcdrift.store.accounts import user_accounts
from arcdrift.store.accounts.passwords import hash_password
from arcdrift.store.accounts.user_accounts import add_user
from arcdrift.store.database.connect import open_store
from dashboard.access.served_address import ServedAddress
from dashboard.app import create_app
from tests.dashboard.access.signing_in import ADDRESS, PASSWORD, USERS, Browser
from tests.dashboard.invented import write_crew


@pytest.fixture(scope="session")
def users_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented crew with a lead, a trainer and two technicians."""
    folder = write_crew(tmp_path_factory.mktemp("signed"))
    add_users(folder)
    return folder


def add_users(
    store: Path | str, more: Mapping[str, tuple[str, str | None]] = MappingProxyType({})
) -> None:
    """Add the users; they share a hash, because one takes a tenth of a second."""
    engine = open_store(store)
    shared = hash_password(PASSWORD, "nobody")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(user_accounts, "hash_password", lambda _password, _name: shared)
        for name, (role, technician) in {**USERS, **more}.items():
            add_user(engine, name, PASSWORD, role, technician)
    engine.dispose()


@pytest.fixture(scope="module")
def app(users_folder: Path) -> Dash:
    """The dashboard as it is behind a proxy with TLS."""
    return create_app(users_folder, ServedAddress(proxies=1, public_url=ADDRESS))


@pytest.fixture
def stranger(app: Dash) -> FlaskClient:
    """A browser that nobody has signed in on."""
    return Browser(app).client


@pytest.fixture(scope="module")
def signed_in(app: Dash) -> Callable[[str], Browser]:
    """Browsers by user; each signs in once."""
    kept: dict[str, Browser] = {}

    def browser(name: str) -> Browser:
        if name not in kept:
            kept[name] = Browser(app)
            assert kept[name].sign_in(name).status_code == 303
        return kept[name]

    return browser
