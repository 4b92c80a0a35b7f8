"""The whole job on an invented observatory, with every file a technician has at the end of the night."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.alignment import PolarAlignment, polar
from skysample.alignment.comparing import Comparison, compare
from skysample.cli.compare import compare_json, compare_lines
from skysample.cli.demo.telescope import Telescope
from skysample.cli.fit import fit_json, fit_lines
from skysample.cli.polar import polar_json, polar_lines
from skysample.cli.size import size_json, size_lines
from skysample.errors import InputError
from skysample.files.whole_files import read_text, write_whole
from skysample.fitting import fit
from skysample.planning import plan
from skysample.runs import read_run
from skysample.site import load_site
from skysample.sizing import PointsNeeded, points_needed
from skysample.sky import usable_sky

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from skysample.planning.plan_table import Plan
    from skysample.scoring.judged import JudgedFit

FIRST_START, SECOND_START = "2026-06-14T18:10:00", "2026-06-14T18:40:00"
FINAL_START, TRACKING_START = "2026-06-14T19:00:00", "2026-06-14T19:30:00"
QUICK_POINTS = 18
FILES = (
    "site.toml",
    "first-plan.ecsv",
    "first.ecsv",
    "second.ecsv",
    "pilot.json",
    "size.svg",
    "final-plan.ecsv",
    "sky.svg",
    "final.ecsv",
    "model.json",
    "residuals.svg",
    "tracking.ecsv",
    "record.html",
)


@dataclass(frozen=True)
class Story:
    """Results of the invented night.

    Attributes
    ----------
    folder : Path
    first_plan, final_plan : Plan
    before, after : PolarAlignment
    comparison : Comparison
    need : PointsNeeded
    final : JudgedFit
    """

    folder: Path
    first_plan: Plan
    final_plan: Plan
    before: PolarAlignment
    after: PolarAlignment
    comparison: Comparison
    need: PointsNeeded
    final: JudgedFit

    @property
    def answer(self) -> dict[str, Any]:
        """What `demo --json` prints."""
        return {
            "files": [str(self.folder / name) for name in FILES],
            "before": polar_json(self.before),
            "after": polar_json(self.after),
            "comparison": compare_json(self.comparison),
            "size": size_json(self.need),
            "final": fit_json(self.final),
        }

    def chapters(self) -> Iterator[Iterable[str]]:
        """Yield the night chapter by chapter, each with the command that does the same."""
        site, first, second, final = (
            self.folder / name for name in ("site.toml", "first.ecsv", "second.ecsv", "final.ecsv")
        )
        yield [_OPENING]
        yield _chapter(
            f"1. Plan a quick run of {QUICK_POINTS} points.",
            f"skysample plan {site} --points {QUICK_POINTS} --when {FIRST_START}",
            [str(self.first_plan)],
        )
        yield _chapter(
            "2. Where does the polar axis point, and which bolts do you turn?",
            f"skysample polar {first} --site {site}",
            polar_lines(self.before),
        )
        yield _chapter(
            "3. Turn the bolts, to the nearest sixteenth of a turn; a second run proves it.",
            f"skysample compare {first} {second} --site {site}",
            compare_lines(self.comparison),
        )
        yield _chapter(
            "4. How many points does the final model need?",
            f"skysample size {site} --model {self.folder / 'pilot.json'}",
            size_lines(self.need),
        )
        yield _chapter(
            "5. Plan the final run.",
            f"skysample plan {site} --points {self.need.recommended} --when {FINAL_START} --chart sky.svg",
            [str(self.final_plan)],
        )
        yield _chapter(
            "6. Fit the model; judge every term and every point.",
            f"skysample fit {final} --site {site} --terms extended",
            fit_lines(self.final),
        )
        yield _chapter(
            "7. The record for the client.",
            f"skysample report {final} --site {site} --before {first} --after {second} --terms extended"
            f" --tracking {self.folder / 'tracking.ecsv'}",
            [
                f"Open {self.folder / 'record.html'} in any browser.",
                f"All files are in {self.folder}: {', '.join(FILES)}.",
            ],
        )


_OPENING = (
    "SALTPAN RIDGE: one night, from a mount just set down to the finished record. The observatory, its telescope and"
    " its errors are invented; every number below is computed from simulated frames."
)


def _chapter(title: str, command: str, lines: Iterable[str]) -> list[str]:
    return ["", title, f"  $ {command}", *(f"  {line}" for line in lines)]


def night(folder: Path, seed: int = 1) -> Story:
    """Run the invented night and write its files.

    Parameters
    ----------
    folder : Path
        Created if needed; files of an earlier demo in it are replaced.
    seed : int
        Seed of the noise and the false plate solutions.

    Returns
    -------
    Story

    Raises
    ------
    InputError
        If the folder cannot be created, or holds a site file that is not the demo's.
    """
    from astropy.time import Time

    from skysample.astrometry.times import parse_utc
    from skysample.report import build_record, write_report
    from skysample.report.charts import residual_map, size_chart, sky_chart, write_chart

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"cannot be created ({error.strerror}); name another folder", file=str(folder)
        ) from None
    site_file = folder / "site.toml"
    text = files(__package__).joinpath("saltpan_ridge.toml").read_text("utf-8")
    if site_file.exists() and read_text(site_file) != text:
        raise InputError(
            "is a site file of your own, which the demo would overwrite; name another folder",
            file=str(site_file),
        )
    write_whole(site_file, text)
    site = load_site(site_file)
    telescope = Telescope.just_set_down(site, np.random.default_rng(seed))

    first_plan = plan(site, QUICK_POINTS, parse_utc(FIRST_START))
    first_plan.write(folder / "first-plan.ecsv")
    telescope.expose(first_plan, folder / "first.ecsv", false=1)
    before = polar(fit(read_run(folder / "first.ecsv", site), site), site)

    telescope = telescope.with_bolts_turned(before.moves)
    telescope.expose(plan(site, QUICK_POINTS, parse_utc(SECOND_START)), folder / "second.ecsv", false=0)
    pilot = fit(read_run(folder / "second.ecsv", site), site)
    pilot.save(folder / "pilot.json")
    after = polar(pilot, site)

    sky = usable_sky(site)
    need = points_needed(site, pilot, sky=sky)
    write_chart(size_chart(need), folder / "size.svg")
    final_plan = plan(site, need.recommended, parse_utc(FINAL_START), model=pilot)
    final_plan.write(folder / "final-plan.ecsv")
    write_chart(sky_chart(final_plan), folder / "sky.svg")
    telescope.expose(final_plan, folder / "final.ecsv", false=2)
    telescope.track(parse_utc(TRACKING_START), folder / "tracking.ecsv")
    record = build_record(
        site,
        site_file,
        folder / "final.ecsv",
        folder / "first.ecsv",
        made=Time.now(),
        after_path=folder / "second.ecsv",
        tracking_path=folder / "tracking.ecsv",
        terms=["extended"],
        need=need,
        sky=sky,
    )
    final = record.final
    final.model.save(folder / "model.json")
    write_chart(residual_map(final.model, record.run, final.score, sky=sky), folder / "residuals.svg")
    write_report(record, folder / "record.html")
    return Story(
        folder=folder,
        first_plan=first_plan,
        final_plan=final_plan,
        before=before,
        after=after,
        comparison=compare(before, after),
        need=need,
        final=final,
    )
