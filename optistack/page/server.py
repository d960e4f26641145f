"""The page as a local web server: this machine only, known hosts and origins only, own sessions."""

from __future__ import annotations

import re
import signal
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any
from weakref import WeakSet

import panel as pn
from tornado.routing import HostMatches, Rule, RuleRouter
from tornado.web import RequestHandler

from optistack.errors import OptistackError
from optistack.page.parts import MOST_DROPPED_BYTES
from optistack.page.state import State
from optistack.page.style import PART_CSS, ROOT_CSS
from optistack.page.view import View
from optistack.tables import printable

LOOPBACK = "127.0.0.1"
_OWN_HOSTS = ("localhost", LOOPBACK)
# What the browser may load and reach: nothing but this server. The drawing library builds
# functions from text, and its parts come as blobs.
_POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval' blob: data:; style-src "
    "'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; connect-src "
    "'self' blob: ws://{hosts}; worker-src blob:; object-src 'none'; base-uri 'none'; "
    "form-action 'none'"
)
_ICON = (
    "data:image/svg+xml,%3Csvg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 16 16'%3E"
    "%3Crect width='16' height='4' y='2' fill='%23cf5a1e'/%3E"
    "%3Crect width='16' height='3' y='7' fill='%232f7fc1'/%3E"
    "%3Crect width='16' height='4' y='11' fill='%23b0569f'/%3E%3C/svg%3E"
)
# Sessions whose files are to be removed when the server ends.
_open_views: WeakSet[View] = WeakSet()
_PAGE = """
{% extends base %}
{% block preamble %}
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<meta http-equiv="Content-Security-Policy" content="POLICY">
<link rel="icon" href="ICON">
<style>ROOT</style>
{% endblock %}
{% block contents %}
<a class="skip" href="#main">To the questions</a>
<main id="main" tabindex="-1">{{ embed(roots.page) }}</main>
<style>main { max-width: 1240px; margin: 0 auto; padding: 10px; box-sizing: border-box; }</style>
<script>
// Titles lie in closed trees: the ways to the questions are found here. Figures are drawn again in
// the other colours when the system turns light or dark.
document.addEventListener("click", (event) => {
  const way = event.composedPath().find((e) => e.dataset && e.dataset.way)
  if (!way) return
  const find = (root) => {
    for (const e of root.querySelectorAll("*")) {
      if (e.id === "q-" + way.dataset.way) return e
      const inner = e.shadowRoot && find(e.shadowRoot)
      if (inner) return inner
    }
    return null
  }
  const title = find(document)
  if (!title) return
  event.preventDefault()
  title.tabIndex = -1
  title.scrollIntoView({ block: "start" })
  title.focus({ preventScroll: true })
})
window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () =>
  window.dispatchEvent(new Event("resize")))
</script>
{% endblock %}
"""


class _Elsewhere(RequestHandler):
    """Answers requests under another host name, and those for what is not there."""

    def initialize(self, hosts: Sequence[str]) -> None:
        self.hosts = hosts

    def prepare(self) -> None:
        own = self.request.host_name in self.hosts
        self.set_status(404 if own else 421)
        why = "there is nothing here" if own else "this page answers only under its own address"
        self.finish(f"optistack: {why}\n")


def serve(
    scenario: str | Path | None = None,
    *,
    port: int = 0,
    allow_paths: Sequence[str | Path] = (),
    allow_hosts: Sequence[str] = (),
    started: Callable[[str], None] | None = None,
    show: bool = False,
) -> None:
    """Serve the page until interrupted.

    Parameters
    ----------
    scenario : str or Path, optional
        The invented demo when not given.
    port : int
        0: a free one.
    allow_paths : sequence of str or Path
        As in `optistack.load_scenario`.
    allow_hosts : sequence of str
        More host names under which a browser may reach the page, for example through a tunnel.
    started : callable, optional
        Called with the address once the page can be opened.
    show : bool
        Open it in the browser.

    Raises
    ------
    OptistackError
        What `optistack.load_scenario` refuses; a port that is taken.
    """
    server, address = make_server(
        scenario, port=port, allow_paths=allow_paths, allow_hosts=allow_hosts
    )
    loop = server.io_loop

    def open_it() -> None:
        if started is not None:
            started(address)
        if show:
            import webbrowser

            webbrowser.open(address)

    # Asked to end, the server clears up as with Ctrl-C.
    before = signal.signal(signal.SIGTERM, lambda *_: loop.add_callback_from_signal(loop.stop))
    loop.add_callback(open_it)
    try:
        server.start()
        loop.start()
    finally:
        signal.signal(signal.SIGTERM, before)
        server.stop()
        for view in list(_open_views):
            view.close()


def make_server(
    scenario: str | Path | None = None,
    *,
    port: int = 0,
    allow_paths: Sequence[str | Path] = (),
    allow_hosts: Sequence[str] = (),
) -> tuple[Any, str]:
    """A server that is not yet started, and its address; arguments as in `serve`."""
    from optistack.page.state import demo_state

    opened = (
        demo_state() if scenario is None else State.from_file(scenario, allow_paths=allow_paths)
    )
    for name in allow_hosts:
        if not re.fullmatch(r"[A-Za-z0-9]([A-Za-z0-9.-]{0,250}[A-Za-z0-9])?", name):
            raise OptistackError(f"{name!r} is no host name, such as lab.example.org")
    if not 0 <= port <= 65535:
        raise OptistackError(f"port {port} is not within 0 to 65535")
    pn.extension(raw_css=[], notifications=False)
    pn.config.reconnect = False
    from bokeh.server.util import bind_sockets

    try:
        sockets, port = bind_sockets(LOOPBACK, port)
    except OSError as error:
        raise OptistackError(
            f"port {port} cannot be used ({error.strerror}); choose another with --port, or leave "
            "it out"
        ) from None
    for each in sockets:
        each.close()
    hosts = [*_OWN_HOSTS, *allow_hosts]
    reach = " ws://".join(f"{h}:{port}" for h in hosts)
    page = (
        _PAGE.replace("POLICY", _POLICY.format(hosts=reach))
        .replace("ROOT", ROOT_CSS)
        .replace("ICON", _ICON)
    )

    def session() -> Any:
        return _session(opened, page)

    server = pn.io.server.get_server(
        {"/": session},
        port=port,
        address=LOOPBACK,
        websocket_origin=[f"{h}:{port}" for h in hosts] + list(allow_hosts),
        title="optistack",
        show=False,
        start=False,
        # Only what the page sends itself; a file beyond its limit closes that session alone.
        websocket_max_message_size=2 * MOST_DROPPED_BYTES,
        max_body_size=1024 * 1024,
        unused_session_lifetime=30_000,
        check_unused_sessions=10_000,
    )
    _own_hosts_only(server, hosts)
    return server, f"http://{LOOPBACK}:{port}/"


def _own_hosts_only(server: Any, hosts: Sequence[str]) -> None:
    """Refuse requests under any other host name, whatever they ask for.

    The origin of a web socket is checked by the server already; this also keeps pages away that
    reach this machine under a name of their own.
    """
    application = server._tornado
    known = "|".join(re.escape(h) for h in hosts)
    rules = application.default_router.rules
    inner = RuleRouter.__new__(type(application.default_router))
    inner.__dict__.update(application.default_router.__dict__)
    inner.rules = rules
    application.default_router.rules = [Rule(HostMatches(f"^(?:{known})$"), inner)]
    application.settings["default_handler_class"] = _Elsewhere
    application.settings["default_handler_args"] = {"hosts": tuple(hosts)}


def _session(opened: State, page: str) -> Any:
    """The page for one tab, with a state and files of its own."""
    refusal = ""
    state = opened
    asked = (pn.state.session_args or {}).get("view", [b""])[0].decode("ascii", "replace")
    if asked:
        try:
            state = opened.with_link(asked)
        except OptistackError as error:
            refusal = str(error)
    template = pn.Template(page)
    try:
        view = View(state)
    except OptistackError as error:
        text = f'<h1>This scenario cannot be shown</h1><p role="alert">{_escape(error)}</p>'
        template.add_panel("page", pn.pane.HTML(text, stylesheets=[PART_CSS]))
        return template
    if refusal:
        view.panes[
            "take-said"
        ].object = f'<p class="part-refusal" role="alert">{_escape(refusal)}</p>'
        view.panes["link-refusal"].object = view.panes["take-said"].object
    _open_views.add(view)
    if pn.state.curdoc is not None:
        pn.state.on_session_destroyed(lambda _: view.close())
    template.add_panel("page", view.root)
    return template


def _escape(error: object) -> str:
    from html import escape

    return escape(printable(str(error)))
