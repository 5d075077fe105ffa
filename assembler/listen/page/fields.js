// Numbers that are typed or nudged, and choices: each is sent to its place in the manifest.

import { make, stepSeconds } from "./desk.js";

export class Fields {
  /** edit sends values by place; it calls its second argument where they are refused. */
  constructor(edit) {
    this.edit = edit;
    this.inputs = new Map();
    this.known = new Map();
  }

  /** Show fields; place puts the label of a new one on the page. */
  show(fields, place) {
    this.known = new Map(fields.map((one) => [one.name, one]));
    for (const one of fields) this.field(one, place);
    for (const [name, input] of this.inputs) input.parentElement.hidden = !this.known.has(name);
  }

  field(one, place) {
    let input = this.inputs.get(one.name);
    if (!input) {
      input = one.options ? make("select") : make("input", { type: "text", inputMode: "decimal", autocomplete: "off", spellcheck: false });
      input.addEventListener("change", () => this.send(one.name, input.value));
      input.addEventListener("keydown", (event) => this.nudge(event, one.name));
      input.label = make("span");
      place(make("label", { className: "field" }, input.label, input), one);
      this.inputs.set(one.name, input);
    }
    input.label.textContent = one.unit ? `${one.label} (${one.unit})` : one.label;
    input.dataset.place = one.place;
    if (one.options) this.choices(input, one.options);
    else input.placeholder = one.fallback === undefined ? "" : String(Number(Number(one.fallback).toFixed(3)));
    const value = one.value === null ? "" : String(one.value);
    if (input.dataset.value !== value && (document.activeElement !== input || input.value === input.dataset.value)) input.value = value;
    input.dataset.value = value;
  }

  choices(input, options) {
    const stamp = JSON.stringify(options), value = input.value;
    if (input.dataset.choices === stamp) return;
    input.dataset.choices = stamp;
    input.replaceChildren(...options.map(([one, text]) => make("option", { value: one }, text)));
    input.value = value;
  }

  /** Forget the fields inside a part of the page that is made again. */
  forget(part) {
    for (const [name, input] of this.inputs) if (part.contains(input)) this.inputs.delete(name);
  }

  value(name) {
    const typed = this.inputs.get(name).value.trim();
    return typed === "" ? Number(this.known.get(name).fallback || 0) : Number(typed.replace("−", "-").replace(",", "."));
  }

  nudge(event, name) {
    const one = this.known.get(name), back = /Arrow(Down|Left)/.test(event.key), on = /Arrow(Up|Right)/.test(event.key);
    const inField = event.target instanceof HTMLInputElement;
    if (!one || one.options || !(back || on) || (inField && /Left|Right/.test(event.key)) || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    const step = one.step || stepSeconds(one.rate), value = this.value(name) + (on ? step : -step);
    this.send(name, String(Number((one.belowZero ? value : Math.max(0, value)).toFixed(6))));
  }

  send(name, typed) {
    const input = this.inputs.get(name), one = this.known.get(name);
    const text = one.options ? typed : typed.trim().replace("−", "-").replace(",", ".");
    const value = text === "" ? null : /^-?\d+(\.\d+)?$/.test(text) ? Number(text) : text;
    input.value = text;
    return this.edit({ [one.place]: value, ...(one.also ? one.also(value) : {}) }, () => { input.value = input.dataset.value; });
  }
}
