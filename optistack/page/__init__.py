"""The live page and its view in a notebook: a scenario, moved by hand, answered at once.

`state` and `answers` know nothing of a screen: what the page shows can be had, and checked, there.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from optistack.errors import OptistackError

if TYPE_CHECKING:
    from optistack.page.view import View


def explore(scenario: Any = None, *, allow_paths: Any = ()) -> View:
    """The live page of a scenario as an object that a notebook shows.

    Parameters
    ----------
    scenario : str, Path, Scenario or State, optional
        A scenario file, a scenario that `load_scenario` read, or a state of the page. The invented
        demo when not given.
    allow_paths : sequence of str or Path
        As in `load_scenario`.

    Returns
    -------
    View
        Its ``state``, ``answers`` and ``move`` are there for Python too.

    Raises
    ------
    OptistackError
        The extra ``page`` is not installed; what `load_scenario` refuses.

    Examples
    --------
    >>> import optistack as ost
    >>> view = ost.explore()
    >>> view.move("half-value", 400)
    >>> view.answers.number("left-1").text
    '8.1 % (2.77 % to 8.1 %)'
    >>> view.close()
    """
    from optistack.page.state import State, demo_state

    if isinstance(scenario, State):
        state = scenario
    elif scenario is None:
        state = demo_state()
    else:
        path = scenario if isinstance(scenario, (str, Path)) else scenario.path
        state = State.from_file(path, allow_paths=allow_paths)
    need_page()
    import panel as pn

    from optistack.page.view import View

    if not pn.extension._loaded and pn.state.curdoc is None:
        pn.extension(inline=True)
    return View(state)


def need_page() -> None:
    """Refuse with the way out where the extra ``page`` is not installed."""
    from importlib.util import find_spec

    missing = [name for name in ("panel", "bokeh", "tomlkit") if find_spec(name) is None]
    if missing:
        raise OptistackError(
            f"the live page needs {', '.join(missing)}: pip install 'optistack[page]'"
        )
