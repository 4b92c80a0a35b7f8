"""The command `check`: what it takes, its JSON, its words, which other commands print too."""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from typer import Exit, Option

from skysample.cli import inputs
from skysample.cli.printing import sentence, show, values
from skysample.errors import NoSolution, NotDetermined

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from skysample.runs import Run
    from skysample.site import Site
    from skysample.trust import Trust

PlanOption = Annotated[
    Path | None, Option("--plan", metavar="PLAN", help="Plan that was observed: places are compared with it.")
]
EarlierOption = Annotated[
    list[Path] | None, Option("--earlier", metavar="RUN", help="Earlier run of this night (repeatable).")
]


def check(
    run: inputs.RunArgument,
    site: inputs.SiteOption,
    plan: PlanOption = None,
    model: Annotated[Path | None, Option(metavar="MODEL", help="Earlier model of this telescope.")] = None,
    earlier: EarlierOption = None,
    assume: inputs.AssumeOption = None,
    as_json: inputs.JsonOption = False,
) -> None:
    """Ask whether a run belongs to its site; exit code 1 if no bolt is to be turned.

    Example: skysample check run.ecsv --site site.toml --plan plan.ecsv
    """
    from skysample.site import load_site

    place = load_site(site)
    table = inputs.read_run_at(run, place, assume)
    found = trust_in(table, place, plan, model, earlier, assume)
    show(as_json, trust_json, trust_lines, found)
    if found.verdict == "do not turn":
        raise Exit(1)


def trust_in(
    run: Run,
    site: Site,
    plan: Path | None = None,
    model: Path | None = None,
    earlier: Sequence[Path] | None = None,
    assume: Sequence[str] | None = None,
) -> Trust:
    """Check a run, with what else was given as files."""
    from skysample.fitting import load_model
    from skysample.planning.plan_file import read_plan
    from skysample.trust import check as check_run

    return check_run(
        run,
        site,
        plan=None if plan is None else read_plan(plan, site, check=False),
        model=None if model is None else load_model(model),
        earlier=[inputs.read_run_at(each, site, assume) for each in earlier or ()],
    )


@contextmanager
def explained(runs: Sequence[Run], site: Site, *, as_json: bool) -> Iterator[None]:
    """Where runs cannot be fitted because they contradict their inputs: say so instead, and end with exit code 1."""
    try:
        yield
    except (NoSolution, NotDetermined):
        for run in runs:
            found = trust_in(run, site)
            if not found.turns_allowed:
                show(as_json, trust_json, trust_lines, found)
                raise Exit(1) from None
        raise


def trust_json(found: Trust | None) -> dict[str, Any]:
    """Keys of `check --json`, which other commands have too; null and empty where nothing was checked."""
    if found is None:
        return {"trust": None, "causes": [], "cautions": [], "worth": []}
    return {
        "trust": found.verdict,
        "causes": [
            values(each, "cause sentence evidence fix moves_wrong_by_arcmin") for each in found.causes
        ],
        "cautions": list(found.cautions),
        "worth": [values(each, "wrong arcmin") for each in found.worth],
    }


def trust_lines(found: Trust) -> Iterator[str]:
    """The verdict, its reasons, what is worth knowing, and what the inputs are worth."""
    yield from found.sentences
    yield from map(sentence, found.cautions)
    if found.worth_sentence:
        yield found.worth_sentence


def doubt_lines(found: Trust | None) -> Iterator[str]:
    """The verdict and its first reason, where there is one; nothing for a run that is trusted or was not checked."""
    if found is not None and found.verdict != "turn":
        yield from found.sentences[:2]
