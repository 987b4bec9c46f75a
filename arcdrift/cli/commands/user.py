"""``arcdrift user``: who may sign in to the dashboard from other devices."""

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from arcdrift.cli.crew_folder import command_text, open_crew, subcommand_folder
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import print_json, print_lines, print_notice, print_table
from arcdrift.cli.private_files import make_private
from arcdrift.cli.time_arguments import local_time, zone_of_splicer
from arcdrift.errors import UsageError

if TYPE_CHECKING:
    from arcdrift.people import Role

app = typer.Typer()
UserName = Annotated[str, typer.Argument(metavar="NAME", help="Name to sign in with.")]
FromInput = Annotated[
    bool,
    typer.Option(
        "--password-stdin", help="Read the password from standard input instead of asking for it."
    ),
]
RoleOption = Annotated[
    str,
    typer.Option(
        "--role",
        metavar="technician|trainer|lead",
        help="A technician sees the splicers and figures about themselves; a trainer everybody's "
        "figures and the coaching log; a lead may also change what is usual and the alarm budget.",
    ),
]


@app.callback(invoke_without_command=True)
def user(context: typer.Context, folder: CrewFolder = CURRENT_FOLDER) -> None:
    """Add, list or remove the users who may sign in to the dashboard, or reset a password."""
    if context.invoked_subcommand is not None:
        context.obj = folder
        return
    raise UsageError("Say what to do: `arcdrift user add`, `list`, `remove` or `reset`.")


@app.command()
def add(
    context: typer.Context,
    name: UserName,
    role: RoleOption,
    technician: Annotated[
        str | None,
        typer.Option(
            "--technician",
            metavar="NAME",
            help="Name that the logs give this technician.",
            show_default="the name to sign in with",
        ),
    ] = None,
    password_stdin: FromInput = False,
    folder: CrewFolder = CURRENT_FOLDER,
) -> None:
    """Add a user; the password is asked for."""
    from arcdrift.store.accounts.user_accounts import add_user, require_free_name
    from arcdrift.store.results.result_rows import read_technicians

    known_role = _role(role)
    if known_role == "technician":
        technician = technician or name
    with open_crew(subcommand_folder(context, folder)) as session:
        require_free_name(session.engine, name)  # before a password is asked for
        add_user(session.engine, name, _new_password(password_stdin), known_role, technician)
        print_lines(f"{name} may now sign in as {known_role}.")
        make_private(session.folder)
        if technician is not None and technician not in read_technicians(session.engine):
            print_notice(
                f"No analyzed log names the technician {technician!r} yet; until one does, "
                f"{name} sees the splicers and no figures of their own."
            )


@app.command("list")
def list_users(
    context: typer.Context, folder: CrewFolder = CURRENT_FOLDER, as_json: AsJson = False
) -> None:
    """List the users with their roles."""
    from arcdrift.store.accounts.user_accounts import user_accounts

    folder = subcommand_folder(context, folder)
    with open_crew(folder) as session:
        users = user_accounts(session.engine)
        zone = zone_of_splicer(session.crew)
    if as_json:
        print_json(
            [
                {
                    "name": account.name,
                    "role": account.role,
                    "technician": account.technician,
                    "created_at": account.created_at,
                    "password_set_at": account.changed_at,
                }
                for account in users
            ]
        )
        return
    if not users:
        add_one = command_text("user add NAME --role lead", folder)
        print_lines(f"Nobody can sign in yet; add a user with {add_one}.")
        return
    print_table(
        ["Name", "Role", "In the logs", "Password set"],
        [
            (
                account.name,
                account.role,
                account.technician or "",
                local_time(account.changed_at, zone),
            )
            for account in users
        ],
    )


@app.command()
def remove(context: typer.Context, name: UserName, folder: CrewFolder = CURRENT_FOLDER) -> None:
    """Remove a user and end their sign-ins at once; what they wrote stays."""
    from arcdrift.store.accounts.user_accounts import remove_user

    with open_crew(subcommand_folder(context, folder)) as session:
        remove_user(session.engine, name)
    print_lines(f"{name} was removed and is signed out everywhere.")


@app.command()
def reset(
    context: typer.Context,
    name: UserName,
    password_stdin: FromInput = False,
    folder: CrewFolder = CURRENT_FOLDER,
) -> None:
    """Set a new password for a user and end their sign-ins at once."""
    from arcdrift.store.accounts.user_accounts import require_user, reset_password

    with open_crew(subcommand_folder(context, folder)) as session:
        require_user(session.engine, name)  # before a password is asked for
        reset_password(session.engine, name, _new_password(password_stdin))
    print_lines(f"{name} has a new password and is signed out everywhere.")


def _role(text: str) -> "Role":
    from arcdrift.people import ROLES

    for role in ROLES:
        if text == role:
            return role
    raise UsageError(f"There is no role {text!r}; give technician, trainer or lead.")


def _new_password(from_input: bool) -> str:
    """Read a password from the terminal, twice and unseen, or from standard input."""
    if from_input:
        return sys.stdin.readline().rstrip("\r\n")
    if not sys.stdin.isatty():
        raise UsageError(
            "There is no terminal to ask for the password in; give --password-stdin and write the "
            "password to standard input."
        )
    return str(typer.prompt("New password", hide_input=True, confirmation_prompt="The same again"))
