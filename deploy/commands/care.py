"""Commands that look after a box: backup, restore, doctor, the audit chain."""

import json
from pathlib import Path
from typing import Annotated

import typer

from deploy.commands.options import DATA, Data, at_terminal

app = typer.Typer()


@app.command()
def backup(
    data: Data = DATA,
    to: Annotated[
        Path | None, typer.Option(help="Folder of backups, better on another disk; default the setting.")
    ] = None,
    keep: Annotated[int, typer.Option(min=1, help="How many to keep; the oldest go.")] = 7,
    every_h: Annotated[
        float | None, typer.Option(min=0.01, help="Go on, with so many hours between two.")
    ] = None,
) -> None:
    """Back up everything a box knows, while it runs; the copy is checked."""
    from deploy import backing_up, wiring
    from services.settings import load_settings

    settings = load_settings(data)
    for line in backing_up.rounds(settings, to, keep=keep, every_h=every_h, stop=wiring.stop_event()):
        typer.echo(line)


@app.command()
def restore(
    source: Annotated[
        Path, typer.Argument(metavar="FROM", help="A backup, or a folder of them: its newest.")
    ],
    data: Data = DATA,
    replace: Annotated[
        bool, typer.Option("--replace", help="Where data are already; they are kept beside it.")
    ] = False,
) -> None:
    """Put a backup into a data folder, after checking every byte of it."""
    from deploy import backing_up

    for line in backing_up.put_back(source, data, replace=replace):
        typer.echo(line)


@app.command()
def alive(
    part: Annotated[str, typer.Argument(help="ingest, monitor, notify or web")],
    data: Data = DATA,
) -> None:
    """Exit 0 when a process shows life, 1 when it does not; for whatever restarts processes."""
    from services.clock import now_ms
    from services.pulse import signs

    sign = signs(data).get(part)
    if sign is None or not sign.is_fresh(now_ms()):
        typer.echo(f"{part} is silent", err=True)
        raise typer.Exit(1)


@app.command()
def doctor(
    data: Data = DATA,
    json_: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
) -> None:
    """Look whether broker, store, clock, disk and backup are well; exit code 1 when one is not."""
    from deploy import doctor as rounds
    from services.settings import load_settings

    rows = rounds.look(load_settings(data))
    if json_:
        typer.echo(json.dumps([row.as_json() for row in rows], indent=2, ensure_ascii=False))
    else:
        typer.echo(rounds.as_text(rows))
    if any(row.state == "trouble" for row in rows):
        raise typer.Exit(1)


@app.command("verify-records")
def verify_records(
    data: Data = DATA,
    head: Annotated[
        list[str], typer.Option("--head", help="A link noted earlier: it must still be part of the chain.")
    ] = [],  # noqa: B006 - typer copies it
    export: Annotated[
        list[Path], typer.Option("--export", help="A folder of `export records`: its files and its link.")
    ] = [],  # noqa: B006
) -> None:
    """Look whether every record is still what was said; exit code 1 and where, when one is not."""
    from deploy import records_export, wiring
    from deploy.chain_told import lines
    from services.clock import now_ms
    from services.settings import load_settings

    heads = [*head, *(records_export.noted_head(folder) for folder in export)]
    records = wiring.open_records(load_settings(data))
    found = records.verify_chain(heads)
    records.note_verified(found, who=at_terminal(), now_ms=now_ms())
    for line in lines(found):
        typer.echo(line)
    if found.faults:
        raise typer.Exit(1)
