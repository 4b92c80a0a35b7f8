"""Plugins: a broken one is named, and the rest works."""

from __future__ import annotations

import warnings
from itertools import count
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.time import Time

from skysample.errors import InputError, PluginError, SkysampleWarning
from skysample.fitting import fit
from skysample.planning import plan
from skysample.plugins import build_registry, guarded_calls, hookimpl
from skysample.sky import usable_sky
from tests.conftest import make_site
from tests.simulated_nights import errors, simulated_run


class NorthOnly:
    """Blocks the south."""

    name = "north only"

    def blocks(self, directions, when):  # noqa: ARG002 - the contract's second argument
        return directions[:, 1] < 0.0


class Reverse:
    name = "reverse"

    def order(self, problem):
        return np.arange(problem.points)[::-1]


class Slope:
    name = "slope"

    def displacement(self, pointing):
        return np.stack([np.zeros_like(pointing.alt), np.sin(2.0 * pointing.az)], axis=-1)


class Plugin:
    def __init__(self, obstructions=(), orderings=(), terms=()):
        self._answers = list(obstructions), list(orderings), list(terms)

    @hookimpl
    def skysample_obstructions(self):
        return self._answers[0]

    @hookimpl
    def skysample_orderings(self):
        return self._answers[1]

    @hookimpl
    def skysample_terms(self):
        return self._answers[2]


def registry(*plugins, **named):
    named |= {f"plugin {number}": plugin for number, plugin in enumerate(plugins)}
    return build_registry(named.items(), installed=False)


def test_core_and_outside_plugins_answer_through_the_same_hooks():
    plugins = registry(Plugin([NorthOnly()], [Reverse()], [Slope()]))
    site = make_site()
    assert {"horizon", "sun", "north only"} <= set(plugins.obstructions(site))
    assert {"annealed", "reverse"} <= set(plugins.orderings(site))
    assert {"tube_flexure", "slope"} <= set(plugins.terms(site.mount))


def test_an_outside_obstruction_and_ordering_shape_the_plan():
    found = plan(make_site(), 6, order="reverse", registry=registry(Plugin([NorthOnly()], [Reverse()])))
    assert list(found.order) == [5, 4, 3, 2, 1, 0]
    assert np.all(np.cos(np.radians(found.table["az_deg"])) > -1e-9)


def test_an_outside_term_is_fitted():
    plugins = registry(Plugin(terms=[Slope()]))
    site = make_site("fork", 35.0)
    run, _ = simulated_run(site, errors("fork"), 30, noise_arcsec=1.0)
    model = fit(run, site, ["standard", "slope"], registry=plugins)
    assert abs(model.value("slope").value) < 5.0 * model.stderr_rad[-1] * 206265.0


def test_two_of_one_name_are_an_error_that_names_both():
    with pytest.raises(PluginError, match="already taken") as caught:
        registry(one=Plugin([NorthOnly()]), two=Plugin([NorthOnly()])).obstructions(make_site())
    assert "'one'" in str(caught.value)
    assert "'two'" in str(caught.value)


class Raises(Plugin):
    @hookimpl
    def skysample_terms(self, mount):
        raise RuntimeError(f"no idea about {mount.kind}")

    @hookimpl
    def skysample_obstructions(self, site):
        raise RuntimeError(f"no idea about {site.name}")


def test_a_plugin_that_raises_is_named_and_its_terms_left_out():
    with pytest.warns(SkysampleWarning, match="'broken'.*no idea about fork"):
        terms = registry(broken=Raises()).terms(make_site().mount)
    assert "tube_flexure" in terms


def test_an_obstruction_that_raises_stops_the_plan_because_leaving_it_out_is_not_safe():
    with pytest.raises(PluginError, match="'broken'"):
        usable_sky(make_site(), registry=registry(broken=Raises()))


def test_what_a_plugin_says_of_its_own_table_is_the_users_to_mend():
    class Particular(Plugin):
        @hookimpl
        def skysample_obstructions(self, site):
            raise InputError("plugins.particular: write avoid_deg", key=f"plugins.{site.name}")

    with pytest.raises(InputError, match="avoid_deg"):
        registry(Particular()).obstructions(make_site())


@pytest.mark.parametrize("answer", [None, 3, [object()], ["text"]])
def test_an_answer_that_does_not_fit_is_named(answer):
    class Odd(Plugin):
        @hookimpl
        def skysample_terms(self):
            return answer

    with pytest.warns(SkysampleWarning, match="'odd'"):
        assert "tube_flexure" in registry(odd=Odd()).terms(make_site().mount)


class Misspelt:
    @hookimpl
    def skysample_obstruction(self, site):
        return [site]


def test_a_misspelt_hook_is_named_and_the_rest_of_the_plugin_is_not_half_registered():
    with pytest.warns(SkysampleWarning, match="skysample_obstruction"):
        plugins = registry(misspelt=Misspelt())
    assert next(each for each in plugins.installed if each.name == "misspelt").problem
    assert not plugins.manager.has_plugin("misspelt")


class WrongArgument:
    @hookimpl
    def skysample_terms(self, telescope):
        return [telescope]


def test_a_hook_with_an_argument_that_is_not_offered_is_named():
    with pytest.warns(SkysampleWarning, match="telescope"):
        plugins = registry(wrong=WrongArgument())
    assert "tube_flexure" in plugins.terms(make_site().mount)


def test_settings_reach_the_plugin_of_their_name_and_no_other():
    seen = {}

    class Curious(Plugin):
        @hookimpl
        def skysample_obstructions(self, site, settings):
            seen[self, "obstructions"] = settings, site.name
            return []

        @hookimpl
        def skysample_orderings(self, settings):
            seen[self, "orderings"] = settings
            return []

        @hookimpl
        def skysample_terms(self, mount, settings):
            seen[self, "terms"] = settings, mount.kind
            return []

    one, two = Curious(), Curious()
    site = make_site(name="Ridge", plugins={"one": {"depth": 3}})
    plugins = registry(one=one, two=two)
    plugins.obstructions(site)
    plugins.orderings(site)
    plugins.terms(site.mount, site.plugins)
    assert [seen[one, hook] for hook in ("obstructions", "orderings", "terms")] == [
        ({"depth": 3}, "Ridge"),
        {"depth": 3},
        ({"depth": 3}, "fork"),
    ]
    assert seen[two, "orderings"] == {}


def test_a_setting_that_no_file_can_hold_stops_saving_with_a_sentence_and_leaves_the_old_file(tmp_path):
    site = make_site("fork", 35.0, plugins={"mast": {"height_m": float("nan")}})
    model = fit(simulated_run(site, errors("fork"), 20, noise_arcsec=1.0)[0], site, registry=registry())
    (tmp_path / "model.json").write_text("as it was")
    with pytest.raises(InputError, match=r"table \[plugins\.NAME\] of the site file that JSON cannot hold"):
        model.save(tmp_path / "model.json")
    assert (tmp_path / "model.json").read_text() == "as it was"


# Names that are taken


def part(name, like):
    each = like()
    each.name = name
    return each


def test_an_ordering_or_a_term_of_a_name_that_is_taken_is_left_out_and_both_plugins_are_named():
    other = Plugin(
        [], [part("reverse", Reverse), part("again", Reverse)], [part("tube_flexure", Slope), Slope()]
    )
    plugins = registry(first=Plugin(orderings=[Reverse()]), second=other)
    with pytest.warns(SkysampleWarning, match="'second'.*'reverse' is already taken by plugin 'first'"):
        orderings = plugins.orderings(make_site())
    assert {"annealed", "reverse", "again"} <= set(orderings)
    with pytest.warns(
        SkysampleWarning, match="'second'.*'tube_flexure'.*by plugin 'skysample.fitting.terms'"
    ):
        terms = plugins.terms(make_site().mount)
    assert type(terms["tube_flexure"]).__name__ == "TubeFlexure"
    assert "slope" in terms


def test_the_core_keeps_its_names_however_eager_a_plugin_is():
    class Eager:
        @hookimpl(trylast=True)
        def skysample_orderings(self):
            return [part("annealed", Reverse)]

    with pytest.warns(SkysampleWarning, match="'eager'.*'annealed' is already taken"):
        orderings = registry(eager=Eager()).orderings(make_site())
    assert type(orderings["annealed"]).__name__ == "Annealed"


@pytest.mark.parametrize("name", ["cone", "polar_altitude", "standard"])
def test_no_term_passes_for_a_rotation_or_a_set(name):
    with pytest.warns(SkysampleWarning, match=f"'odd'.*{name}.*taken by skysample itself"):
        assert name not in registry(odd=Plugin(terms=[part(name, Slope)])).terms(make_site().mount)


@pytest.mark.parametrize("name", ["", "  ", "a,b", "two\nlines"])
def test_a_name_that_no_option_could_say_is_refused(name):
    with pytest.warns(SkysampleWarning, match="'odd'.*give it a name of one line") as caught:
        assert "tube_flexure" in registry(odd=Plugin(terms=[part(name, Slope)])).terms(make_site().mount)
    assert "\n" not in str(caught[0].message)


def test_a_class_in_place_of_an_ordering_made_of_it_is_named():
    with pytest.warns(SkysampleWarning, match="'odd'.*not a valid Ordering"):
        registry(odd=Plugin(orderings=[Reverse])).orderings(make_site())


# As installed


@pytest.fixture
def installed(tmp_path, monkeypatch):
    """Install one-module plugins: name and source."""

    def install(**sources):
        monkeypatch.syspath_prepend(tmp_path)
        for name, source in sources.items():
            (tmp_path / f"plugin_{name}.py").write_text(source)
            about = tmp_path / f"plugin_{name}-1.5.dist-info"
            about.mkdir()
            (about / "METADATA").write_text(f"Metadata-Version: 2.1\nName: plugin-{name}\nVersion: 1.5\n")
            (about / "entry_points.txt").write_text(f"[skysample]\n{name.rstrip('_')} = plugin_{name}\n")

    return install


SOUND = """
from skysample.plugins import hookimpl
class Last:
    name = "last"
    def order(self, problem):
        return problem.numbers[::-1]
@hookimpl
def skysample_orderings():
    return [Last()]
"""


@pytest.mark.parametrize(
    ("source", "said"),
    [
        ("raise RuntimeError('first line\\nsecond line')", "RuntimeError: first line second line"),
        ("import no_such_library", "ModuleNotFoundError: No module named 'no_such_library'"),
        ("raise SystemExit(3)", "SystemExit: 3"),
        ("def broken(", "SyntaxError"),
    ],
)
def test_a_plugin_that_cannot_be_imported_is_named_and_the_others_work(installed, source, said):
    installed(bad=source, good=SOUND)
    with pytest.warns(SkysampleWarning, match="'bad' of plugin-bad 1.5 cannot be loaded") as caught:
        plugins = build_registry()
    assert "\n" not in str(caught[0].message)
    found = {each.name: each for each in plugins.installed}
    assert said in found["bad"].problem
    assert (found["good"].problem, found["good"].version) == ("", "1.5")
    assert {"annealed", "last"} <= set(plugins.orderings(make_site()))


def test_of_two_entry_points_of_one_name_the_second_is_left_out_and_named(installed):
    installed(good=SOUND, good_=SOUND)
    with pytest.warns(
        SkysampleWarning, match="'good' of plugin-good.* a name that another plugin has already"
    ):
        plugins = build_registry()
    assert [each.problem == "" for each in plugins.installed if each.name == "good"] == [True, False]
    assert "last" in plugins.orderings(make_site())


# In use


def raising(*_):
    raise ValueError("a line\nand another")


def fault(like, method, answer):
    each = part("faulty", like)
    setattr(each, method, answer)
    return each


BLOCKS = {
    "raised ValueError: a line and another": raising,
    "returned NoneType": lambda _directions, _when: None,
    "of float64": lambda directions, _when: np.full(len(directions), np.nan),
    r"shape \(\)": lambda _directions, _when: np.array(False),
    "read-only": lambda directions, _when: directions.sort(),
}
ORDERS = {
    "raised ValueError: a line and another": raising,
    "returned shape": lambda problem: np.arange(problem.points + 1),
    "not a permutation": lambda problem: np.full(problem.points, np.nan),
    r"returned shape \(\)": lambda _problem: None,
    "read-only": lambda problem: problem.axes.sort(),
}
DISPLACEMENTS = {
    "raised ValueError: a line and another": raising,
    r"of float64 of shape \(20,\)": lambda pointing: np.zeros(len(pointing.alt)),
    "not finite": lambda pointing: np.full((len(pointing.alt), 2), np.nan),
    "of complex128": lambda pointing: np.zeros((len(pointing.alt), 2), complex),
    "read-only": lambda pointing: pointing.primary.sort(),
}


@pytest.mark.parametrize("said", BLOCKS)
def test_an_obstruction_that_answers_unfit_is_named_and_a_sky_without_it_is_had(said):
    bad = registry(Plugin([fault(NorthOnly, "blocks", BLOCKS[said])]))
    with pytest.raises(PluginError, match=f"'faulty'.*{said}") as caught:
        usable_sky(make_site(), registry=bad, nside=8)
    assert "\n" not in str(caught.value)
    assert usable_sky(make_site(), registry=registry(), nside=8).area_sr > 0.0


def test_an_obstruction_that_fails_only_at_the_points_own_times_is_named():
    class OneMoment(NorthOnly):
        name = "one moment"

        def blocks(self, directions, when):
            return super().blocks(directions, when) & (when.jd > 0.0 if when.isscalar else when.no_such)

    with pytest.raises(PluginError, match=r"'one moment'.*AttributeError"):
        plan(
            make_site(),
            3,
            Time("2026-06-14T20:00:00"),
            effort="quick",
            registry=registry(Plugin([OneMoment()])),
        )


@pytest.mark.parametrize("said", ORDERS)
def test_an_ordering_that_answers_unfit_is_named_and_another_takes_its_place(said, small_sky):
    bad = registry(Plugin(orderings=[fault(Reverse, "order", ORDERS[said])]))
    with pytest.raises(PluginError, match=f"'faulty'.*{said}") as caught:
        plan(make_site(), 4, order="faulty", registry=bad, sky=small_sky, effort="quick")
    assert "\n" not in str(caught.value)
    assert plan(make_site(), 4, order="snake", registry=bad, sky=small_sky, effort="quick").points == 4


@pytest.fixture(scope="module")
def small_sky():
    return usable_sky(make_site(), registry=registry(), nside=8)


@pytest.mark.parametrize("said", DISPLACEMENTS)
def test_a_term_that_answers_unfit_is_named_and_a_fit_without_it_works(said):
    site = make_site("fork", 35.0)
    run, _ = simulated_run(site, errors("fork"), 20, noise_arcsec=1.0)
    bad = registry(Plugin(terms=[fault(Slope, "displacement", DISPLACEMENTS[said])]))
    with pytest.raises(PluginError, match=f"'faulty'.*{said}") as caught:
        fit(run, site, ["standard", "faulty"], registry=bad)
    assert "\n" not in str(caught.value)
    assert fit(run, site, registry=bad).run.used == 20


# Slow


@pytest.fixture
def clock_of_11_s(monkeypatch):
    """Every look at the clock is 11 seconds after the one before."""
    ticks = count(0.0, 11.0)
    monkeypatch.setattr(guarded_calls, "time", SimpleNamespace(perf_counter=lambda: next(ticks)))


@pytest.mark.usefixtures("clock_of_11_s")
def test_what_takes_long_is_named_with_its_time_and_its_answer_stands(small_sky):
    slow = registry(Plugin([NorthOnly()], [Reverse()], [Slope()]))
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        assert usable_sky(make_site(), registry=slow, nside=8).area_sr > 0.0
        found = plan(make_site(), 4, order="reverse", registry=slow, sky=small_sky, effort="quick")
        site = make_site("fork", 35.0)
        run, _ = simulated_run(site, errors("fork"), 20, noise_arcsec=1.0)
        assert fit(run, site, ["standard", "slope"], registry=slow).run.used == 20
    assert found.order.tolist() == [3, 2, 1, 0]
    said = {str(each.message).removesuffix(" took 11 s for one call; the answer stands") for each in caught}
    assert {
        "plugin 'plugin 0', hook 'skysample_terms':",
        "plugin 'north only', hook 'skysample_obstructions': its blocks()",
        "plugin 'reverse', hook 'skysample_orderings': its order()",
        "plugin 'slope', hook 'skysample_terms': its displacement()",
    } <= said


@pytest.mark.usefixtures("clock_of_11_s")
def test_the_cores_own_time_is_not_remarked_on():
    assert usable_sky(make_site(), registry=registry(), nside=8).area_sr > 0.0  # warnings are errors here
