"""The commands; every mistake is one sentence and an exit code, never a traceback.

Exit codes: 0 done, or ended by Ctrl-C or SIGTERM with everything stored; 1 our own bug;
2 wrong use, file, port or directory; 3 database or disk.
"""

import json
import logging
import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Literal

import typer

from tallymast import accounts, exporting, reporting, running
from tallymast.domain import network_file
from tallymast.domain.errors import ConfigError, StorageError, TallymastError
from tallymast.domain.people import Role
from tallymast.settings import Settings, read_settings

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Tallymast watches remote sites polled by radio.",
)
network_app = typer.Typer(no_args_is_help=True, help="Check, import or export the network file.")
app.add_typer(network_app, name="network")
user_app = typer.Typer(no_args_is_help=True, help="Make accounts, one-time links and tokens.")
app.add_typer(user_app, name="user")

_INTERRUPTED = 130

DataDir = Annotated[
    Path | None, typer.Option("--data-dir", metavar="DIR", help="Where the database lies.")
]
Port = Annotated[
    int | None, typer.Option("--port", metavar="N", help="Port of the pages; 0 for any free one.")
]
Host = Annotated[str | None, typer.Option("--host", metavar="H", help="Address of the pages.")]
Seed = Annotated[int, typer.Option("--seed", metavar="N", help="Another seed, another network.")]
AFile = Annotated[Path, typer.Argument(metavar="FILE", show_default=False)]


def main() -> None:
    """Run the command line this process was given and end with its exit code."""
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Run one command.

    Returns:
        The exit code; mistakes have been told on stderr.

    """
    logging.basicConfig(
        level=os.environ.get("TALLYMAST_LOG", "WARNING").upper(),
        format="%(asctime)s %(levelname)s %(name)s %(message)s",
    )
    try:
        app(args=arguments, prog_name="tallymast")
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else 1
        return 0 if code == _INTERRUPTED else code
    except TallymastError as error:
        print(error, file=sys.stderr)
        return 3 if isinstance(error, StorageError) else 2
    return 0


# --- what runs until it is ended ------------------------------------------------------


@app.command()
def demo(data_dir: DataDir = None, port: Port = None) -> None:
    """Show a living radio network of 24 sites, all invented, on this machine alone."""
    given = read_settings(data_dir=data_dir, port=port)
    own = given.data_dir if data_dir else given.data_dir / "demo"
    running.demo(given.model_copy(update={"data_dir": own, "database_url": ""}))


@app.command("demo-past", hidden=True)
def demo_past(data_dir: DataDir = None) -> None:
    """Write the older days of a demo; `demo` starts this by itself."""
    if not running.fill_demo(read_settings(data_dir=data_dir)):
        raise typer.Exit(1)


@app.command()
def serve(
    network: Annotated[
        Path | None,
        typer.Option("--network", metavar="FILE", help="What to begin with; else Setup."),
    ] = None,
    data_dir: DataDir = None,
    host: Host = None,
    port: Port = None,
    names: Annotated[
        str | None,
        typer.Option("--names", metavar="N,N", help="Host names by which others ask for it."),
    ] = None,
    viewing: Annotated[
        Literal["open", "login"] | None,
        typer.Option("--viewing", help="Whether seeing needs an account, once there are any."),
    ] = None,
    backup_dir: Annotated[
        Path | None, typer.Option("--backup-dir", metavar="DIR", help="Where backups lie.")
    ] = None,
    role: Annotated[
        Literal["all", "poller", "web"], typer.Option("--role", help="Which half of the work.")
    ] = "all",
    test_clock: Annotated[
        Path | None,
        typer.Option("--test-clock", metavar="FILE", help="Seconds by which time is moved."),
    ] = None,
) -> None:
    """Poll the network and serve its pages."""
    settings = read_settings(
        data_dir=data_dir,
        host=host,
        port=port,
        names=names,
        viewing=viewing,
        backup_dir=backup_dir,
    )
    running.serve(settings, network, role, test_clock)


@app.command()
def simulate(
    network: Annotated[Path, typer.Option("--network", metavar="FILE", help="Whom to simulate.")],
    seed: Seed = 1,
    faults: Annotated[
        Path | None, typer.Option("--faults", metavar="FILE", help="What goes wrong, and when.")
    ] = None,
    truth: Annotated[
        Path | None, typer.Option("--truth", metavar="FILE", help="Write every answer there.")
    ] = None,
    scale: Annotated[
        int, typer.Option("--scale", metavar="N", min=1, help="So many times as many sites.")
    ] = 1,
    fill: Annotated[
        tuple[str, str] | None,
        typer.Option("--fill", metavar="FROM TO", help="Write history into a database instead."),
    ] = None,
    any_port: Annotated[
        bool, typer.Option("--any-port", help="Take free ports instead of the file's.")
    ] = False,
    lively: Annotated[
        bool, typer.Option("--lively", help="Let the radio delay and lose as radios do.")
    ] = False,
    until_stdin_ends: Annotated[bool, typer.Option("--until-stdin-ends", hidden=True)] = False,
    begun_ms: Annotated[int | None, typer.Option("--begun-ms", hidden=True)] = None,
    spare: Annotated[
        Path | None, typer.Option("--spare", metavar="FILE", help="Stations nobody has entered.")
    ] = None,
    data_dir: DataDir = None,
) -> None:
    """Open each gateway's port as a radio channel with its stations behind it."""
    if fill is None:
        running.simulate(
            network, seed, faults, truth, scale, any_port, until_stdin_ends, lively, begun_ms, spare
        )
        return
    span = (_moment(fill[0], "FROM"), _moment(fill[1], "TO"))
    if scale > 1:
        raise ConfigError("--scale belongs to a live simulation, not to --fill.")
    settings = read_settings(data_dir=data_dir)
    running.fill(settings, network, seed, faults, span, lively, truth, begun_ms)


def _moment(text: str, which: str) -> int:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise ConfigError(
            f"--fill {which} is {text!r}; write a date and time like 2026-03-08T07:00:00Z."
        ) from error
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return round(moment.timestamp() * 1000)


# --- the network file -----------------------------------------------------------------


@network_app.command("check")
def network_check(
    file: AFile,
    as_json: Annotated[bool, typer.Option("--json", help="Tell it as JSON on stdout.")] = False,
) -> None:
    """Tell every mistake in a network file, one a line."""
    try:
        _, network = network_file.read(running.read_text(file), file.name)
    except ConfigError as error:
        if not as_json:
            raise
        print(json.dumps({"ok": False, "mistakes": list(error.mistakes)}, ensure_ascii=False))
        raise typer.Exit(2) from error
    points = sum(len(site.points) for site in network.sites)
    if as_json:
        counted = {"gateways": len(network.gateways), "sites": len(network.sites), "points": points}
        print(json.dumps({"ok": True, "mistakes": [], **counted}))
        return
    print(
        f"{file.name} is right: {len(network.gateways)} gateways, "
        f"{len(network.sites)} sites, {points} points."
    )


@network_app.command("import")
def network_import(file: AFile, data_dir: DataDir = None) -> None:
    """Make the database's network what the file says; history is kept."""
    for line in running.import_network(
        read_settings(data_dir=data_dir), running.read_text(file), file.name
    ):
        print(line)


@network_app.command("export")
def network_export(file: AFile, data_dir: DataDir = None) -> None:
    """Write the database's network into a file, as a person wrote it: lock codes too."""
    text = running.export_network(read_settings(data_dir=data_dir))
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise ConfigError(f"{file} cannot be written: {error.strerror}.") from error


# --- people ---------------------------------------------------------------------------

AName = Annotated[str, typer.Argument(metavar="NAME", show_default=False)]
ARole = Annotated[Role, typer.Option("--role", metavar="R", help=f"One of {', '.join(Role)}.")]


@user_app.command("add")
def user_add(
    name: AName,
    role: ARole,
    password_stdin: Annotated[
        bool, typer.Option("--password-stdin", help="Take the password from stdin's first line.")
    ] = False,
    data_dir: DataDir = None,
) -> None:
    """Make an account; without a password a one-time link is printed, by which to choose one."""
    password = accounts.password_from_stdin() if password_stdin else None
    settings = read_settings(data_dir=data_dir)
    with running.opened(settings) as database:
        key = accounts.add(database, name, role, password)
    if key is not None:
        print(_welcome(settings, key))


@user_app.command("link")
def user_link(name: AName, data_dir: DataDir = None) -> None:
    """Print a one-time link by which an account's person chooses a new password."""
    settings = read_settings(data_dir=data_dir)
    with running.opened(settings, create=False) as database:
        print(_welcome(settings, accounts.link(database, name)))


@user_app.command("token")
def user_token(
    name: AName,
    role: ARole,
    days: Annotated[int, typer.Option("--days", metavar="N", help="When it ends.")],
    data_dir: DataDir = None,
) -> None:
    """Make a token for a script and print it, this once."""
    with running.opened(read_settings(data_dir=data_dir)) as database:
        print(accounts.token(database, name, role, days))


@user_app.command("list")
def user_list(data_dir: DataDir = None) -> None:
    """Tell the accounts, with role and state."""
    with running.opened(read_settings(data_dir=data_dir), create=False) as database:
        for line in accounts.listed(database):
            print(line)


def _welcome(settings: Settings, key: str) -> str:
    return f"http://{settings.host}:{settings.port}/welcome?key={key}"


# --- the record as a file -------------------------------------------------------------


@app.command()
def export(
    file: Annotated[str, typer.Argument(metavar="FILE", show_default=False)],
    points: Annotated[
        list[str] | None,
        typer.Option("--points", metavar="SITE/TAG,…", help="Which points; may be repeated."),
    ] = None,
    sites: Annotated[
        list[str] | None,
        typer.Option("--site", metavar="SITE,…", help="Every point of a site; may be repeated."),
    ] = None,
    begin: Annotated[
        str,
        typer.Option("--from", metavar="T", help="Begin; without a zone in the network's zone."),
    ] = "",
    end: Annotated[
        str, typer.Option("--to", metavar="T", help="End, not included; a day means its begin.")
    ] = "",
    resolution: Annotated[
        Literal["raw", "hour", "day", "auto"],
        typer.Option("--resolution", help="Every poll, clock hours or contract days."),
    ] = "auto",
    kind: Annotated[
        Literal["csv", "xlsx", "parquet"] | None,
        typer.Option("--format", help="By default what FILE ends with."),
    ] = None,
    data_dir: DataDir = None,
) -> None:
    """Write points of the record into a new FILE (.csv, .xlsx, .parquet), or CSV to stdout (-).

    Times are like 2026-03-08 or 2026-03-08T07:00Z. `network export` writes the network file.
    """
    asked = exporting.Asked(file, _parted(points), _parted(sites), begin, end, resolution, kind)
    print(running.export(read_settings(data_dir=data_dir), asked), file=sys.stderr)


def _parted(given: list[str] | None) -> list[str]:
    """Return what stands between commas, of an option that may be repeated."""
    return [one.strip() for text in given or () for one in text.split(",") if one.strip()]


@app.command()
def report(
    what: Annotated[
        Literal["round", "reliability"], typer.Argument(metavar="WHAT", show_default=False)
    ],
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="A new .html, .csv or .xlsx file.")
    ],
    begin: Annotated[
        str,
        typer.Option("--from", metavar="DAY|T", help="First day, or a time with its zone."),
    ] = "",
    end: Annotated[
        str,
        typer.Option("--to", metavar="DAY|T", help="Last day, included; or a time, not included."),
    ] = "",
    kind: Annotated[
        Literal["html", "csv", "xlsx"] | None,
        typer.Option("--format", help="By default what FILE ends with."),
    ] = None,
    data_dir: DataDir = None,
) -> None:
    """Write a report to hand over: reliability of a period, or kept Morning rounds (round).

    Without --from: the last whole calendar month, or the newest round. Days of reliability are
    contract days, as the Reliability page counts them.
    """
    asked = reporting.Asked(what, out, begin, end, kind)
    print(running.report(read_settings(data_dir=data_dir), asked), file=sys.stderr)


# --- copies and measures --------------------------------------------------------------


@app.command()
def backup(file: AFile, data_dir: DataDir = None) -> None:
    """Write a whole copy of the database, also while it is in use."""
    running.backup(read_settings(data_dir=data_dir), file)
    print(f"The whole database is in {file}.")


@app.command()
def restore(file: AFile, data_dir: DataDir = None) -> None:
    """Put a copy in the database's place, after checking that it is whole."""
    print(running.restore(read_settings(data_dir=data_dir), file))


@app.command(
    context_settings={"allow_extra_args": True, "ignore_unknown_options": True},
)
def bench(context: typer.Context, name: Annotated[str, typer.Argument(metavar="NAME")]) -> None:
    """Measure something on this machine; the last line is one JSON object."""
    from tallymast.benches import entry

    print(json.dumps(entry.run(name, context.args)))
