"""Commands about people: who may sign, who may come in, and the machines that may."""

from typing import Annotated

import typer

from deploy.commands.options import DATA, Data, at_terminal

app = typer.Typer(help="Who may sign, and who may come in.", no_args_is_help=True)

Name = Annotated[str, typer.Argument(help="Name as it shall stand in the records.")]
Role = Annotated[str, typer.Option(help="manager, cook, workshop, inspector or administrator")]
Sites = Annotated[list[str], typer.Option("--site", help="Sees this place only; may be given again.")]


@app.command("add")
def person_add(name: Name, role: Role, data: Data = DATA) -> None:
    """Add somebody who may sign by choosing their name on a kitchen's device, without an account."""
    from deploy import wiring
    from services.clock import now_ms
    from services.settings import load_settings

    wiring.add_person(wiring.open_records(load_settings(data)), name=name, role=role, at_ms=now_ms())
    typer.echo(f"{name} may sign as {role}")


@app.command("invite")
def invite(name: Name, role: Role, site: Sites = [], data: Data = DATA) -> None:  # noqa: B006 - typer copies it
    """Give somebody an account, or a new code for a forgotten password."""
    from deploy import coming_in, wiring
    from services.clock import now_ms
    from services.settings import load_settings

    settings = load_settings(data)
    records = wiring.open_records(settings)
    code = records.invite(
        name, coming_in.role_of(role), coming_in.sites_of(site), who=at_terminal(), now_ms=now_ms()
    )
    typer.echo(f"{code}\n{name} types this code at /welcome and chooses a password; once, within 72 hours.")


@app.command("list")
def list_people(data: Data = DATA) -> None:
    """List accounts, kitchen devices and tokens of machines."""
    from deploy import wiring
    from services.clock import now_ms
    from services.settings import load_settings

    records = wiring.open_records(load_settings(data))

    def places(sites: frozenset[str] | None) -> str:
        return "every place" if sites is None else ", ".join(sorted(sites))

    for each in records.accounts():
        state = "shut" if each.disabled else "invited" if each.waiting else "open"
        typer.echo(f"account  {each.name}: {each.role}, {places(each.sites)}, {state}")
    for device in records.devices(now_ms=now_ms()):
        typer.echo(f"device   {device.name}: {places(device.sites)}")
    for token in records.tokens():
        typer.echo(f"machine  {token.label}: {token.role}, {places(token.sites)}, by {token.made_by}")


@app.command("disable")
def disable(name: Name, data: Data = DATA) -> None:
    """Shut somebody's account at once; what they signed stays."""
    from deploy import coming_in, wiring
    from services.clock import now_ms
    from services.settings import load_settings

    records = wiring.open_records(load_settings(data))
    account = coming_in.account_called(records, name)
    records.disable_account(account.no, who=at_terminal(), now_ms=now_ms())
    typer.echo(f"{account.name} is shut out")


@app.command("forget")
def forget(name: Name, data: Data = DATA) -> None:
    """Delete somebody's data: a number stands for the name from now on, what was signed stays."""
    from deploy import wiring
    from services.clock import now_ms
    from services.errors import DependencyUnavailable
    from services.settings import load_settings

    records = wiring.open_records(load_settings(data))
    gone = records.forget_person(name, who=at_terminal(), now_ms=now_ms())
    typer.echo(
        f"{gone.stands_for} stands for {name} now: {gone.records} records, {gone.elsewhere} other rows"
    )
    try:
        records.tidy()
    except DependencyUnavailable:
        typer.echo("The file was in use: bytes it freed hold the name until they are written over.", err=True)
    if gone.addresses:
        typer.echo(f"{gone.addresses} addresses went with it")
    typer.echo("Still to do: take the name out of the fleet file, let backups and exports go.")


Label = Annotated[str, typer.Argument(help="What the machine or device is called.")]


@app.command("token")
def token(label: Label, role: Role, site: Sites = [], data: Data = DATA) -> None:  # noqa: B006 - typer copies it
    """Give a machine a token, shown once: it sends it as ``Authorization: Bearer``."""
    from deploy import coming_in, wiring
    from services.clock import now_ms
    from services.settings import load_settings

    records = wiring.open_records(load_settings(data))
    typer.echo(
        records.give_token(
            label, coming_in.role_of(role), coming_in.sites_of(site), who=at_terminal(), now_ms=now_ms()
        )
    )


@app.command("revoke")
def revoke(label: Label, data: Data = DATA) -> None:
    """End the token of a machine."""
    from deploy import wiring
    from services.clock import now_ms
    from services.settings import load_settings

    wiring.open_records(load_settings(data)).revoke_token(label, who=at_terminal(), now_ms=now_ms())
    typer.echo(f"the token of {label} has ended")


@app.command("device")
def device(label: Label, site: Sites = [], data: Data = DATA) -> None:  # noqa: B006 - typer copies it
    """Make a code that enrols a kitchen's device, on which people sign by choosing their name."""
    from deploy import coming_in, wiring
    from services.clock import now_ms
    from services.settings import load_settings

    records = wiring.open_records(load_settings(data))
    code = records.device_code(label, coming_in.sites_of(site), who=at_terminal(), now_ms=now_ms())
    typer.echo(f"{code}\nType this code at /welcome on the device, once, within 72 hours.")
