"""Plugins: a broken one is named, and the rest works."""

from __future__ import annotations

import numpy as np
import pytest

from skysample.errors import InputError, PluginError, SkysampleWarning
from skysample.fitting import fit
from skysample.planning import plan
from skysample.plugins import build_registry, hookimpl
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


class WrongShape:
    name = "wrong shape"

    def displacement(self, pointing):
        return np.zeros(len(pointing.alt))

    def order(self, problem):
        return np.zeros(problem.points, int)


def test_a_term_or_an_ordering_of_the_wrong_shape_is_named_when_it_is_used():
    site = make_site("fork", 35.0)
    plugins = registry(Plugin(orderings=[WrongShape()], terms=[WrongShape()]))
    run, _ = simulated_run(site, errors("fork"), 20, noise_arcsec=1.0)
    with pytest.raises(PluginError, match="wrong shape"):
        fit(run, site, ["standard", "wrong shape"], registry=plugins)
    with pytest.raises(PluginError, match="wrong shape"):
        plan(site, 5, order="wrong shape", registry=plugins)
    assert fit(run, site, registry=plugins).run.used == 20
