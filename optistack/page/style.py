"""Colours and sheets of the page: one set of names, light and dark."""

from __future__ import annotations

# Told apart by lightness and dash as well as hue; each at least 3:1 on both grounds.
COUPON, DEVICE, FILTERED, MUTED = "#cf5a1e", "#2f7fc1", "#b0569f", "#7b858d"
ROLE_COLOURS = {"coupon": COUPON, "device": DEVICE, "filtered": FILTERED}
ROLE_DASHES = {"coupon": "dashed", "device": "solid", "filtered": "dotted"}
# Layers in their order; the table beside the bars says the same in words.
SHARE_COLOURS = (
    "#c98b2b",
    "#3f9b8a",
    "#a86fb0",
    "#cf6f4e",
    "#8a9a3b",
    "#6a78b8",
    "#b85c78",
    "#4f9fb5",
    "#9a7b5a",
    "#5aa05a",
    "#c4a24a",
    "#8f5f9f",
    "#3d7f99",
    "#b07a6a",
)
# What leaves the stack, and what stays at the lamp, is no layer.
PLACE_COLOURS = {"reflected": "#9fb0bd", "transmitted": "#6d7a84", "filter at the lamp": "#47535c"}

_LIGHT = """
  --paper: #fbfaf7; --card: #ffffff; --ink: #1b2226; --soft: #4d5963; --line: #d8dcdf;
  --accent: #0b6b63; --on-accent: #ffffff; --warn: #9a1b1b; --warn-ground: #fdf1ef;
  --care-ground: #fff6dc; --care-line: #b07d00;
"""
_DARK = """
  --paper: #12171a; --card: #1a2125; --ink: #eef1f2; --soft: #b4bec5; --line: #37424a;
  --accent: #63cdbf; --on-accent: #0c1c1a; --warn: #ffb0a6; --warn-ground: #3a1d1b;
  --care-ground: #332a10; --care-line: #e0b14a;
"""
# What the figures take from the page: read by the drawing library as names of its own.
_FIGURES = """
  --bk-axis-line-color: var(--soft); --bk-major-tick-line-color: var(--soft);
  --bk-minor-tick-line-color: var(--line); --bk-axis-label-text-color: var(--ink);
  --bk-major-label-text-color: var(--ink); --bk-grid-line-color: var(--line);
  --bk-background-fill-color: var(--card); --bk-border-fill-color: var(--card);
  --bk-outline-line-color: var(--line); --bk-label-text-color: var(--ink);
  --bk-title-text-color: var(--ink); --bk-text-color: var(--ink);
"""


def _resolved(colours: str) -> str:
    """The figures' names with plain colours: the drawing surface does not follow references."""
    pairs = dict(
        part.strip().split(": ", 1) for part in colours.replace("\n", " ").split(";") if ":" in part
    )
    out = _FIGURES
    for name, colour in pairs.items():
        out = out.replace(f"var({name})", colour)
    return out


ROOT_CSS = f"""
:root {{ color-scheme: light dark; {_LIGHT} {_resolved(_LIGHT)} }}
@media (prefers-color-scheme: dark) {{ :root {{ {_DARK} {_resolved(_DARK)} }} }}
html, body {{ background: var(--paper); color: var(--ink); margin: 0; }}
body {{ font: 16px/1.45 system-ui, "DejaVu Sans", sans-serif; overflow-x: hidden; }}
.skip {{ position: absolute; left: -999px; }}
.skip:focus {{ left: 8px; top: 8px; z-index: 20; background: var(--card); padding: 8px; }}
"""

# Bokeh and Panel draw inside closed trees: every part carries the sheet itself.
PART_CSS = """
:host { font: 15px/1.4 system-ui, "DejaVu Sans", sans-serif; color: var(--ink); min-width: 0; }
* { box-sizing: border-box; }
p { margin: 4px 0; }
h1 { font-size: 1.5em; margin: 0; }
h2 { font-size: 1.2em; margin: 0 0 2px; border-left: 6px solid var(--accent); padding-left: 10px; }
h3 { font-size: 1em; margin: 10px 0 4px; }
a { color: var(--accent); }
.soft { color: var(--soft); font-size: 0.92em; }
.control { margin: 0 0 10px; min-width: 0; width: 100%; }
.head { display: flex; gap: 6px; align-items: center; justify-content: space-between; }
label { color: var(--ink) !important; }
.head label { font-weight: 600; font-size: 0.94em; overflow-wrap: anywhere; }
.what { width: 26px; height: 26px; border-radius: 13px; border: 1px solid var(--soft); flex: none;
  background: transparent; color: var(--ink); cursor: pointer; font-size: 14px; padding: 0; }
.row { display: flex; gap: 8px; align-items: center; min-width: 0; }
.row input[type=range] { flex: 1 1 90px; min-width: 60px; height: 30px;
  accent-color: var(--accent); }
.row input[type=text], select { font: inherit; color: var(--ink); background: var(--card);
  border: 1px solid var(--soft); border-radius: 5px; padding: 4px 6px; height: 32px; }
.row input[type=text] { width: 84px; text-align: right; }
#view-link { flex: 1 1 auto; width: 60px; text-align: left; }
select { width: 100%; min-width: 0; }
.unit { min-width: 34px; color: var(--soft); font-size: 0.9em; white-space: nowrap; }
.help { color: var(--soft); font-size: 0.88em; background: var(--paper); padding: 6px 8px;
  border-radius: 5px; }
.refusal { color: var(--warn); font-size: 0.9em; margin: 2px 0 0; overflow-wrap: anywhere; }
.refusal:empty { display: none; }
.refusal.quiet { color: var(--soft); }
input[aria-invalid=true], select[aria-invalid=true] { border: 2px solid var(--warn) !important; }
:is(input, select, button, summary, a):focus-visible { outline: 3px solid var(--accent);
  outline-offset: 2px; }
:disabled { opacity: 0.55; }
.dropzone { border: 2px dashed var(--soft); border-radius: 8px; padding: 10px; }
.dropzone.over { border-color: var(--accent); background: var(--care-ground); }
.dropzone label { display: block; font-weight: 600; font-size: 0.94em; margin-bottom: 6px; }
.dropzone input { max-width: 100%; color: var(--ink); font: inherit; font-size: 0.9em; }
.wide { font: inherit; border: 1px solid var(--accent); background: var(--accent);
  color: var(--on-accent); border-radius: 5px; padding: 5px 12px; cursor: pointer; height: 34px; }
.numbers { display: grid; grid-template-columns: minmax(0, 1fr); margin: 0; }
.numbers > div { display: grid; grid-template-columns: minmax(0, 1fr) minmax(0, 1fr); gap: 10px;
  border-bottom: 1px solid var(--line); padding: 5px 0; align-items: baseline; }
.numbers dt { color: var(--soft); font-size: 0.92em; overflow-wrap: anywhere; }
.numbers dd { margin: 0; font-variant-numeric: tabular-nums; font-weight: 600; }
.numbers .band { display: block; color: var(--soft); font-weight: 400; font-size: 0.86em; }
.strip { display: grid; gap: 6px 18px;
  grid-template-columns: repeat(auto-fit, minmax(min(150px, 44%), 1fr)); }
.strip div { min-width: 0; overflow-wrap: anywhere; }
@media (max-width: 600px) { .strip { font-size: 0.86em; gap: 3px 10px; } }
.strip .name { color: var(--soft); font-size: 0.82em; display: block; }
.strip .value { font-weight: 700; font-variant-numeric: tabular-nums; }
.strip .band { color: var(--soft); font-size: 0.78em; display: block; }
.part-refusal { background: var(--warn-ground); color: var(--warn); padding: 8px;
  border-radius: 6px; overflow-wrap: anywhere; }
.care { background: var(--care-ground); border-left: 5px solid var(--care-line); padding: 6px 10px;
  border-radius: 4px; font-size: 0.92em; }
.care ul { margin: 4px 0; padding-left: 18px; }
summary { cursor: pointer; padding: 4px 0; font-weight: 600; }
ul { margin: 4px 0; padding-left: 20px; }
li { overflow-wrap: anywhere; }
.table { overflow-x: auto; }
table { border-collapse: collapse; font-size: 0.9em; }
td, th { text-align: left; padding: 3px 8px 3px 0; border-bottom: 1px solid var(--line); }
.key { display: flex; flex-wrap: wrap; gap: 2px 14px; font-size: 0.88em; color: var(--soft); }
.key span::before { content: ""; display: inline-block; width: 12px; height: 12px;
  margin-right: 5px; background: var(--c); vertical-align: -1px; border-radius: 2px; }
.key .line::before { width: 26px; height: 0; background: none; border-radius: 0;
  vertical-align: 4px; border-top: 3px var(--d) var(--c); }
.key .mark::before { content: attr(data-mark); width: auto; height: auto; background: none;
  color: var(--c); vertical-align: 0; }
.figure { margin: 12px 0 0; font-weight: 600; font-size: 0.94em; }
ol.tour { padding-left: 22px; } ol.tour li { margin: 5px 0; }
.invented { font-weight: 700; color: var(--warn); }
nav { display: flex; flex-wrap: wrap; gap: 4px 16px; font-size: 0.94em; }
"""

CARD = {
    "background": "var(--card)",
    "border": "1px solid var(--line)",
    "border-radius": "10px",
    "padding": "14px",
}

# Panel's own buttons and fields.
QUIET_CSS = """
.bk-btn, .bk-btn a { color: var(--accent) !important; }
.bk-btn { background: transparent !important; }
"""

WIDGET_CSS = """
:host { font: 15px/1.4 system-ui, "DejaVu Sans", sans-serif; color: var(--ink); }
.bk-btn, .bk-btn a { font: inherit !important; color: var(--on-accent) !important;
  text-decoration: none; }
.bk-btn { background: var(--accent) !important; border: 1px solid var(--accent) !important;
  border-radius: 5px !important; height: 34px; padding: 4px 12px !important; white-space: nowrap; }
.bk-btn a { padding: 0 !important; line-height: 1.4 !important; }
.bk-btn:focus-visible, .bk-input:focus-visible { outline: 3px solid var(--accent) !important;
  outline-offset: 2px; }
.bk-btn:disabled, .bk-btn[disabled] { opacity: 0.5; }
label { color: var(--ink) !important; font-weight: 600; font-size: 0.94em; }
.bk-input { color: var(--ink) !important; background: var(--card) !important;
  border: 1px solid var(--soft) !important; font: inherit !important; height: 32px; }
"""
