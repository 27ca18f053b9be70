"""`nearkey search PLAN.toml`"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from nearkey.commands.shared import (
    FILE,
    FOLDER,
    KEPT_FILE,
    json_option,
    plan_pack,
    say,
    show,
)
from nearkey.errors import NearkeyError, PlanError
from nearkey.extras import library

_EVERY_S = 2.0  # between lines of progress


@click.command(short_help="Search the layouts that a plan allows.")
@click.argument("plan", type=FILE, required=False)
@click.option("--example", is_flag=True, help="Print a plan to start from.")
@click.option("--seed", type=int, help="Seed, instead of the plan's.")
@click.option("--workers", type=int, help="Threads; the result does not depend on them.")
@click.option(
    "--cluster", metavar="ADDRESS", help="A dask scheduler to work on, such as tcp://host:8786."
)
@click.option("--checkpoint", type=KEPT_FILE, help="File that lets an interrupted search go on.")
@click.option("--certificate", type=FILE, help="File for the certificate of a proof.")
@click.option(
    "--evaluations", type=int, help="Evaluations of a proof at most; its bound holds nevertheless."
)
@click.option("--limit", type=int, default=10, help="Rows of the table shown.")
@json_option("the result")
@click.option(
    "--report", "folder", type=FOLDER, help="Folder of the report, instead of the plan's."
)
@click.option("--no-report", is_flag=True, help="Only the table.")
def search(
    plan: str | None,
    example: bool,
    cluster: str | None,
    limit: int,
    as_json: bool,
    folder: str | None,
    no_report: bool,
    **options: Any,
) -> None:
    """Search the layouts that PLAN (a TOML file) allows for those that no other beats.

    Ctrl-C ends the search with what was found; with --checkpoint the same command goes on from there.
    """
    from nearkey.search.search_plan import EXAMPLE, SearchPlan

    if example:
        click.echo(EXAMPLE, nl=False)
        return
    if plan is None:
        raise click.UsageError(
            "Missing argument 'PLAN': name a file, or start from one with --example."
        )
    from nearkey.report.search_page import search_report
    from nearkey.search.searching import SearchStep, run_search

    for name, least in (("workers", 1), ("seed", 0), ("evaluations", 1), ("limit", 1)):
        value = limit if name == "limit" else options[name]
        if value is not None and value < least:
            raise PlanError(f"is {value}", where=f"--{name}", fix=f"give {least} or more")
    loaded = SearchPlan.load(plan)
    if options["certificate"] is not None and loaded.file.search.method != "prove":
        raise PlanError(
            "needs a proof", where="--certificate", fix='write method = "prove" in the plan'
        )
    pack = plan_pack(loaded.file.pack, plan)
    last: SearchStep | None = None
    said = time.monotonic()
    with _client(cluster) as client:
        try:
            for last in run_search(loaded, pack, executor=client, **options):
                if time.monotonic() - said >= _EVERY_S:
                    said = time.monotonic()
                    share = "" if last.total is None else f"{last.done}/{last.total}: "
                    say(f"{share}{last.text}", err=True)
        except KeyboardInterrupt:
            if last is None:
                raise
            click.echo("interrupted: what follows is what was found so far", err=True)
    assert last is not None
    result = last.result
    show(result.to_dict(), result.table(limit), as_json)
    if not no_report and len(result.found):
        target = (
            Path(folder) if folder is not None else loaded.path.parent / loaded.file.report.folder
        )
        page = search_report(
            result, target, pack=pack, title=loaded.file.report.title or loaded.file.name
        )
        click.echo(f"report: {page}", err=as_json)


@contextmanager
def _client(address: str | None) -> Iterator[Any]:
    """A client of the cluster at an address; None without one."""
    if address is None:
        yield None
        return
    distributed = library("distributed", extra="cluster", where="--cluster")
    try:
        client = distributed.Client(address, timeout="3s")
    except (OSError, ValueError, TimeoutError) as fault:
        raise NearkeyError(
            f"no scheduler at {address} ({type(fault).__name__})",
            where="--cluster",
            fix="start one with `dask scheduler`, and workers with `dask worker ADDRESS`",
        ) from None
    with client:
        yield client
