"""The page's own parts that run in the browser: a control, a place to drop files, a link to copy.

They are plain HTML inputs, so that keyboard, phone and screen reader work as people know them. What
is typed goes to Python as text when the hand lets go; nothing is computed in the browser.
"""

from __future__ import annotations

from typing import Any, ClassVar

import param
from panel.custom import JSComponent

from optistack.page.style import PART_CSS

# A file beyond this is refused in the browser already; the reader's own limit is below it.
MOST_DROPPED_BYTES = 8 * 1024 * 1024

_CONTROL = """
export function render({ model, el }) {
  const id = "c-" + model.ident
  const box = document.createElement("div")
  box.className = "control"
  box.dataset.key = model.ident
  const head = document.createElement("div")
  head.className = "head"
  const label = document.createElement("label")
  label.htmlFor = id
  const more = document.createElement("button")
  more.type = "button"
  more.className = "what"
  more.textContent = "?"
  more.setAttribute("aria-expanded", "false")
  const help = document.createElement("p")
  help.className = "help"
  help.id = id + "-help"
  help.hidden = true
  more.setAttribute("aria-controls", help.id)
  more.addEventListener("click", () => {
    help.hidden = !help.hidden
    more.setAttribute("aria-expanded", String(!help.hidden))
  })
  const refusal = document.createElement("p")
  refusal.className = "refusal"
  refusal.id = id + "-refusal"
  refusal.setAttribute("role", "alert")
  const row = document.createElement("div")
  row.className = "row"
  head.append(label, more)
  box.append(head, row, refusal, help)

  let count = 0
  const send = (text) => { count += 1; model.typed = count + "|" + text }
  let paint
  if (model.kind === "choice") {
    const select = document.createElement("select")
    select.id = id
    row.append(select)
    select.addEventListener("change", () => send(select.value))
    paint = () => {
      select.replaceChildren(...model.options.map(([text, value]) => {
        const option = document.createElement("option")
        option.value = value
        option.textContent = text
        return option
      }))
      select.value = model.shown
    }
  } else {
    const field = document.createElement("input")
    field.id = id
    field.type = "text"
    field.inputMode = "decimal"
    field.autocomplete = "off"
    field.spellcheck = false
    const slider = document.createElement("input")
    slider.type = "range"
    slider.tabIndex = 0
    const unit = document.createElement("span")
    unit.className = "unit"
    row.append(slider, field, unit)
    const tidy = () => String(Number(Number(slider.value).toPrecision(6)))
    slider.addEventListener("input", () => { field.value = tidy() })
    slider.addEventListener("change", () => send(tidy()))
    field.addEventListener("change", () => send(field.value))
    paint = () => {
      slider.min = model.low
      slider.max = model.high
      slider.step = model.step
      slider.value = model.shown
      slider.setAttribute("aria-label", model.label + ", slider")
      slider.setAttribute("aria-valuetext", model.shown + " " + model.unit)
      if (model.refusal === "") field.value = model.shown
      unit.textContent = model.unit
    }
  }
  const input = () => box.querySelector("#" + CSS.escape(id))
  const all = () => {
    label.textContent = model.label
    more.setAttribute("aria-label", "What is " + model.label + "?")
    more.title = model.help
    help.textContent = model.help + " Source: " + model.source
    paint()
    const idle = model.unused !== ""
    for (const each of row.querySelectorAll("input, select")) each.disabled = idle
    refusal.textContent = model.refusal || (idle ? "Not in use: " + model.unused + "." : "")
    refusal.classList.toggle("quiet", !model.refusal)
    input().setAttribute("aria-invalid", String(model.refusal !== ""))
    input().setAttribute("aria-describedby", refusal.id + " " + help.id)
  }
  all()
  for (const name of ["shown", "label", "unit", "unused", "refusal", "options", "painted"])
    model.on(name, all)
  return box
}
"""


class Control(JSComponent):  # type: ignore[misc]
    """A labelled number or choice, with what it means and why it was refused.

    A refused number stays in its field until another one is shown, so that it can be mended; a
    refused choice goes back, for which ``painted`` makes the browser show ``shown`` again.
    """

    ident = param.String()
    kind = param.String("number")
    label = param.String()
    unit = param.String()
    help = param.String()
    source = param.String()
    shown = param.String()
    low = param.Number(0.0)
    high = param.Number(1.0)
    step = param.Number(0.01)
    options = param.List(default=[])
    unused = param.String()
    refusal = param.String()
    typed = param.String()
    painted = param.Integer(0)

    _esm = _CONTROL
    _stylesheets: ClassVar[list[str]] = [PART_CSS]


_DROP = """
export function render({ model, el }) {
  const box = document.createElement("div")
  box.className = "dropzone"
  const input = document.createElement("input")
  input.type = "file"
  input.id = "f-" + model.ident
  const label = document.createElement("label")
  label.htmlFor = input.id
  label.textContent = model.label
  const said = document.createElement("p")
  said.className = "refusal"
  said.setAttribute("role", "alert")
  box.append(label, input, said)
  let count = 0
  const take = (file) => {
    if (!file) return
    if (file.size > model.most) {
      said.textContent = "This file has " + (file.size / 1048576).toFixed(1) + " MB; a table or " +
        "scenario has at most " + (model.most / 1048576).toFixed(0) + " MB. It was not sent."
      input.value = ""
      return
    }
    said.textContent = "Reading …"
    const reader = new FileReader()
    reader.onerror = () => { said.textContent = "The browser could not read this file." }
    reader.onload = () => {
      count += 1
      said.textContent = ""
      const text = String(reader.result)
      model.sent = [String(count), file.name, text.slice(text.indexOf(",") + 1)]
      input.value = ""
    }
    reader.readAsDataURL(file)
  }
  input.addEventListener("change", () => take(input.files[0]))
  for (const name of ["dragenter", "dragover"])
    box.addEventListener(name, (e) => { e.preventDefault(); box.classList.add("over") })
  for (const name of ["dragleave", "drop"])
    box.addEventListener(name, (e) => { e.preventDefault(); box.classList.remove("over") })
  box.addEventListener("drop", (e) => take(e.dataTransfer.files[0]))
  model.on("refusal", () => { said.textContent = model.refusal })
  return box
}
"""


class Drop(JSComponent):  # type: ignore[misc]
    """A place to drop one file; its name and content arrive as text."""

    ident = param.String()
    label = param.String()
    most = param.Integer(MOST_DROPPED_BYTES)
    sent: Any = param.List(default=[])
    refusal = param.String()

    _esm = _DROP
    _stylesheets: ClassVar[list[str]] = [PART_CSS]


_LINK = """
export function render({ model, el }) {
  const box = document.createElement("div")
  box.className = "control"
  const row = document.createElement("div")
  row.className = "row"
  const field = document.createElement("input")
  field.type = "text"
  field.readOnly = true
  field.id = "view-link"
  field.setAttribute("aria-label", "Link to this view")
  const copy = document.createElement("button")
  copy.type = "button"
  copy.className = "wide"
  copy.textContent = "Copy link"
  const said = document.createElement("p")
  said.className = "refusal quiet"
  said.setAttribute("role", "status")
  row.append(field, copy)
  box.append(row, said)
  const paint = () => {
    const here = window.location.origin + window.location.pathname
    field.value = model.text ? here + "?view=" + model.text : here
    said.textContent = model.refusal
    field.disabled = copy.disabled = model.refusal !== ""
  }
  copy.addEventListener("click", async () => {
    field.select()
    try { await navigator.clipboard.writeText(field.value); said.textContent = "Copied." }
    catch { said.textContent = "Selected: copy it with the keyboard." }
  })
  paint()
  model.on("text", paint)
  model.on("refusal", paint)
  return box
}
"""


class LinkField(JSComponent):  # type: ignore[misc]
    """The link that reopens this view, with a button that copies it."""

    text = param.String()
    refusal = param.String()

    _esm = _LINK
    _stylesheets: ClassVar[list[str]] = [PART_CSS]
