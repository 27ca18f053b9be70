"""`nearkey lab` and `nearkey study forget`: the lab in a browser, and deleting one person's data."""

from __future__ import annotations

import sys

import click

from nearkey.commands.shared import FILE, FOLDER, fit_option
from nearkey.errors import PlanError


@click.command("lab", short_help="A lab in the browser: calibrate, try, study, replay.")
@click.argument("plan", required=False, type=FILE)
@click.option(
    "--layout",
    "layouts",
    multiple=True,
    metavar="NAME|FILE",
    help="A layout, where there is no PLAN; twice for two side by side.",
)
@fit_option
@click.option("--touch", type=FILE, default="", help="A fitted touch model for these layouts.")
@click.option("--spread-mm", type=float, default=2.0, help="Spread of touches without a model.")
@click.option("--pack", default="en", help="Name or folder of the language pack.")
@click.option("--folder", type=FOLDER, help="Where logs go; a PLAN's own, or lab-data.")
@click.option("--port", type=click.IntRange(0, 65535), default=8517, help="0: any free one.")
@click.option(
    "--share", is_flag=True, help="Let other devices of the network in, by one-time addresses."
)
@click.option("--address", help="The address other devices reach this machine under, with --share.")
@click.option(
    "--stdin",
    "lines",
    is_flag=True,
    help="Also take messages from standard input, one a line; answers go to standard output.",
)
def lab(
    plan: str | None,
    layouts: tuple[str, ...],
    fit_mm: tuple[float, float] | None,
    touch: str,
    spread_mm: float,
    pack: str,
    folder: str | None,
    port: int,
    share: bool,
    address: str | None,
    lines: bool,
) -> None:
    """Make a phone, tablet or laptop into apparatus: calibrate, try, study, replay.

    Record only people who were told and agreed, follow your ethics board's rules, and plan breaks.
    Never while walking, driving, or working at a machine. See docs/lab.md.
    """
    from nearkey.lab.server import require_lab_extra

    require_lab_extra()
    from nearkey.lab.access import LabAccess
    from nearkey.lab.lab_plan import LabPlan
    from nearkey.lab.laboratory import Laboratory
    from nearkey.lab.server import (
        LOOPBACK,
        address_of_this_machine,
        bound_socket,
        inviter,
        qr_terminal,
        serve_lab,
    )
    from nearkey.language import load_pack

    if (plan is None) == (not layouts):
        raise PlanError(
            "names neither a plan nor a layout" if plan is None else "names a plan and a layout",
            where="nearkey lab",
            fix="give a PLAN file, or --layout NAME",
        )
    if len(layouts) > 2:
        raise PlanError(
            f"{len(layouts)} given", where="nearkey lab", field="--layout", fix="give one or two"
        )
    if address is not None and not share:
        raise PlanError(
            "other devices are not let in",
            where="nearkey lab",
            field="--address",
            fix="add --share, or leave it out",
        )
    if plan is not None:
        found = LabPlan.load(plan, folder=folder)
    else:
        found = LabPlan.of_layouts(
            layouts,
            fit_mm=fit_mm,
            touch=touch,
            spread_mm=spread_mm,
            pack=pack,
            folder=folder or "lab-data",
        )
    language = load_pack(found.pack)
    listening = bound_socket("0.0.0.0" if share else "127.0.0.1", port)
    port = listening.getsockname()[1]
    host = (address or address_of_this_machine()) if share else "127.0.0.1"
    access = LabAccess({*LOOPBACK, host}, port, shared=share)
    invite = inviter(access, host) if share else None
    laboratory = Laboratory(found, language, invite=invite)

    def say(text: str) -> None:
        click.echo(text, err=lines)

    say(f"The lab is at http://127.0.0.1:{port}/ (pad and text on one device),")
    say("with /pad, /display and /experimenter for devices of their own. Ctrl-C stops it.")
    if invite is None:
        say("Only this machine can reach it; --share lets others in.")
    else:
        url = invite("both").url
        say(f"Others come in by a one-time address; the experimenter's page makes more:\n{url}")
        if sys.stderr.isatty() if lines else sys.stdout.isatty():
            say(qr_terminal(url))
    say(f"Logs go to {found.folder}, readable by you alone.")
    sys.stdout.flush()
    serve_lab(laboratory, access, listening, lines=lines)


@click.command("forget", short_help="Delete one participant's data.")
@click.argument("code")
@click.argument("folders", nargs=-1, type=FOLDER)
@click.option("--dry-run", is_flag=True, help="Only say what would be deleted.")
def forget(code: str, folders: tuple[str, ...], dry_run: bool) -> None:
    """Delete everything of the participant CODE under FOLDERS (default lab-data), and say what.

    Models and tables made of several people's data name no codes and stay: make them again.
    """
    from nearkey.lab.forgetting import forget_participant

    found = forget_participant(code, folders or ("lab-data",), dry_run=dry_run)
    for one in found:
        click.echo(f"would have {one}" if dry_run else str(one))
    if not found:
        click.echo(f"nothing of {code!r} in {', '.join(folders or ('lab-data',))}")
