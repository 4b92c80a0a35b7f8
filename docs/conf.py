"""How Sphinx builds the pages; the command stands in DEVELOPERS.md.

The source folder is the whole tree, so that a link in a page leads to the same file here and on a code host. Nothing is
fetched: what the pages name in other libraries is looked up in `inventories/`, short lists in Sphinx's own text format.
Add the name there when the build says that it is missing.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path
from pkgutil import walk_packages
from typing import TYPE_CHECKING, Any

from pygments.lexer import RegexLexer, bygroups, using
from pygments.lexers.shell import BashLexer
from pygments.token import Generic

import skysample

DOCS = Path(__file__).resolve().parent
sys.path.insert(0, str(DOCS))

import built_pages  # noqa: E402 - it stands beside this file

if TYPE_CHECKING:
    from docutils import nodes
    from sphinx.addnodes import pending_xref
    from sphinx.application import Sphinx
    from sphinx.environment import BuildEnvironment

project = "skysample"
author = "The skysample developers"
copyright = author  # noqa: A001 - the name that Sphinx reads
version = release = skysample.__version__
language = "en"
smartquotes = False  # ' and " are minutes and seconds of arc

extensions = [
    "myst_parser",
    "numpydoc",
    "sphinx.ext.autodoc",
    "sphinx.ext.autosummary",
    "sphinx.ext.intersphinx",
]
root_doc = "docs/index"
include_patterns = [
    "docs/**",
    "plugins/*/README.md",
    "benchmarks/README.md",
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
]
exclude_patterns = [
    ".*",
    "docs/_build",
    "docs/inventories",
    "docs/templates",
    "skysample*",
    "tests",
    "**/__pycache__",
]

myst_heading_anchors = 4  # the anchors that a code host makes
default_role = "py:obj"  # of one pair of backquotes in a docstring
nitpicky = True
nitpick_ignore = [
    ("py:class", "PluginManager"),
    ("py:meth", "PluginManager.register"),
]  # in pluggy's own docstrings

intersphinx_mapping = {
    "python": ("https://docs.python.org/3", str(DOCS / "inventories" / "python.txt")),
    "numpy": ("https://numpy.org/doc/stable", str(DOCS / "inventories" / "numpy.txt")),
    "astropy": ("https://docs.astropy.org/en/stable", str(DOCS / "inventories" / "astropy.txt")),
}

templates_path = [str(DOCS / "templates")]  # absolute: autosummary would look for it from the source folder
autosummary_generate = True
autodoc_typehints = "none"  # the docstrings give types, with shapes and units
autodoc_member_order = "bysource"
numpydoc_show_class_members = False  # the template lists them
numpydoc_xref_param_type = True
numpydoc_xref_ignore = "all"
numpydoc_xref_aliases = {
    **{name: full for name, full in built_pages.listed().items() if name[0].isupper()},
    "Quantity": "astropy.units.Quantity",
    "QTable": "astropy.table.QTable",
    "SkyCoord": "astropy.coordinates.SkyCoord",
    "Table": "astropy.table.Table",
    "Time": "astropy.time.Time",
    "array_like": "numpy.ndarray",
    "bool": ":class:`python:bool`",
    "callable": ":class:`python:collections.abc.Callable`",
    "iterable": ":class:`python:collections.abc.Iterable`",
    "mapping": ":class:`python:collections.abc.Mapping`",
    "None": ":data:`python:None`",
    "path-like": ":class:`python:os.PathLike`",
    "scalar": ":class:`python:float`",
    "sequence": ":class:`python:collections.abc.Sequence`",
}
numpydoc_validation_checks = {"GL06", "GL07", "PR02", "PR03", "PR04", "PR05", "SS01", "SS04", "YD01"}

html_theme = "furo"
html_title = f"skysample {release}"
html_copy_source = False
html_show_sphinx = False
html_extra_path = ["front"]
html_static_path = ["static"]
html_css_files = ["pages.css"]

_MODULES = {
    "skysample",
    *(each.name for each in walk_packages(skysample.__path__, "skysample.", onerror=str)),
}

_PATH = re.compile(rf"(?:skysample|{'|'.join(intersphinx_mapping)})(?:\.\w+)*")


def _listed_or_plain(
    app: Sphinx, env: BuildEnvironment, node: pending_xref, contnode: nodes.Element
) -> nodes.Element | None:
    """Lead a name in a docstring, with its home or alone, to what the reference lists; leave a plain word in code."""
    target = node.get("reftarget", "")
    home, _, name = target.rpartition(".")
    full = built_pages.listed().get(name)
    if node.get("refdomain") == "py" and full is not None and (not home or home.startswith("skysample")):
        return env.domains["py"].resolve_xref(env, node["refdoc"], app.builder, "obj", full, node, contnode)
    # A whole path is meant as a reference, and complained about; one word in backquotes may be a parameter or a key.
    is_path = _PATH.fullmatch(target) and target not in _MODULES
    return contnode if node.get("reftype") == "obj" and not is_path else None


def _names_stay_out_of_the_side_bar(
    _app: Sphinx, _page: str, _template: str, context: dict[str, Any], _doctree: nodes.document | None
) -> None:
    """Keep to pages and not to every public name: those stand on their own page, and the build takes half as long."""
    whole = context["toctree"]
    context["toctree"] = lambda **how: whole(**{**how, "maxdepth": 1})


class Transcript(RegexLexer):
    """A terminal: what follows the prompt is a command, all else is what it printed."""

    tokens = {  # noqa: RUF012 - as the library has it
        "root": [
            (r"^(\$ )((?:.*\\\n)*.*\n)", bygroups(Generic.Prompt, using(BashLexer))),
            (r".*\n", Generic.Output),
        ]
    }


def setup(app: Sphinx) -> None:
    """Connect what writes the generated pages, and what looks at the built ones."""
    app.add_lexer("console", Transcript)  # the usual one takes a line that begins with % or # for a command
    app.connect("missing-reference", _listed_or_plain, priority=900)  # after intersphinx
    app.connect("html-page-context", _names_stay_out_of_the_side_bar, priority=400)  # before the theme asks
    app.connect("config-inited", built_pages.forget_old_names)
    app.connect("builder-inited", built_pages.write_command_lines)
    app.connect("build-finished", built_pages.check)
