// The restoration of a side: each step with its numbers, with and without, and what it removes.

import { button, make } from "./desk.js";

// A step without fields is set in the manifest alone.
const STEPS = [
  { step: "dc", name: "DC offset", fields: [["restoration.dc", "remove, or empty"]] },
  { step: "swap_channels", name: "Left and right swapped", fields: [["restoration.swap_channels", "yes, or empty"]] },
  { step: "invert_polarity", name: "Polarity inverted", fields: [["restoration.invert_polarity", "left, right or both"]] },
  { step: "declick", name: "Clicks", fields: [["restoration.declick.strength", "strength, 1 to 10"]] },
  { step: "playback", name: "Playback EQ", fields: [] },
  { step: "azimuth", name: "Azimuth", fields: [["restoration.azimuth", "µs, or auto"]] },
  { step: "balance", name: "Balance", fields: [["restoration.balance", "dB left, or auto"]] },
  { step: "hum", name: "Hum", fields: [["restoration.hum.mains", "mains, 50 or 60 Hz"], ["restoration.hum.harmonics", "harmonics"]] },
  { step: "noise", name: "Noise", fields: [["restoration.noise.reduction", "reduction, dB"], ["restoration.noise.from", "print from"], ["restoration.noise.to", "print to"]] },
  { step: "equaliser", name: "EQ of the side", fields: [] },
  { step: "speed", name: "Speed", fields: [["restoration.speed", "percent"]] },
];
const HEARD_S = 8;

const at = (content, place) => place.split(".").reduce((found, key) => (found && typeof found === "object" ? found[key] : undefined), content);
const isOff = (value) => value === undefined || ["off", "no", "false"].includes(String(value).toLowerCase());

export class Restoring {
  constructor(side) {
    this.owner = side;
    this.rows = new Map();
    this.faults = make("ul", { className: "faults" });
    this.summary = make("summary", {}, "Restoration");
    this.part = make("details", {}, this.summary,
      make("p", { className: "says" }, "Each step is played on the stretch, or around the chosen mark."), this.faults,
      make("ol", { className: "entries steps" }, ...STEPS.map((one) => this.row(one))));
  }

  row({ step, name, fields }) {
    const found = { fields: new Map(), does: make("span", { className: "says" }) };
    for (const [place, label] of fields) {
      const field = make("input", { type: "text", autocomplete: "off" });
      field.addEventListener("change", () => this.set(step, place, field.value.trim(), fields[0][0] === place));
      found.fields.set(place, field);
      field.labelled = make("label", { className: "field" }, make("span", {}, `${name}: ${label}`), field);
    }
    found.plays = [
      button("With it", (event) => this.hear(event.target, "")), button("Without it", (event) => this.hear(event.target, `&without=${step}`)),
      button("What it changes", (event) => this.hear(event.target, `&stage=removed&step=${step}`)),
    ];
    for (const one of found.plays) one.setAttribute("aria-label", `${name}: ${one.textContent}`);
    this.rows.set(step, found);
    found.entry = make("li", { className: "fields step" }, ...(fields.length ? [] : [make("span", {}, name)]), ...[...found.fields.values()].map((field) => field.labelled), ...found.plays, found.does);
    return found.entry;
  }

  update(side) {
    this.side = side;
    const content = { restoration: side.restoration };
    const does = new Map((side.steps || []).map((one) => [one.step, one.does]));
    for (const { step, fields } of STEPS) {
      const row = this.rows.get(step), whole = at(content, `restoration.${step}`), used = fields.length ? !isOff(whole) : does.has(step);
      for (const [place] of fields) {
        const field = row.fields.get(place), found = at(content, place), value = used && found !== undefined && typeof found !== "object" ? String(found) : "";
        if (document.activeElement !== field || field.value === field.dataset.value) field.value = value;
        field.dataset.value = value;
      }
      for (const one of row.plays) one.hidden = !used;
      if (!fields.length) row.entry.hidden = !used;
      row.does.textContent = does.get(step) || (used ? "not determined yet" : "");
    }
    const used = STEPS.filter(({ step, fields }) => fields.length ? !isOff(at(content, `restoration.${step}`)) : does.has(step));
    this.summary.textContent = used.length ? `Restoration: ${used.map((one) => one.name.replace(/^[A-Z](?=[a-z])/, (letter) => letter.toLowerCase())).join(", ")}` : "Restoration: none";
    this.showFaults(side.faults || []);
  }

  showFaults(faults) {
    const now = { restoration: this.side.restoration }, stamp = JSON.stringify([faults, now]);
    if (stamp === this.stamp) return;
    this.stamp = stamp;
    this.faults.replaceChildren(...faults.map((one) => {
      const found = make("li", {}, `${one.measured}: ${one.remedy}. `);
      const places = Object.entries(one.settings).filter(([place, value]) => String(at(now, place)) !== String(value));
      if (places.length) found.append(button(`Use ${places.map(([place, value]) => `${place.split(".").slice(1).join(" ").replace("_", " ")} ${value}`).join(", ")}`, () => this.owner.edit({ side: this.side.name, set: one.settings })));
      return found;
    }));
    if (JSON.stringify(faults) === this.opened) return;  // it may have been closed since
    this.opened = JSON.stringify(faults);
    if (faults.some((one) => Object.keys(one.settings).length)) this.part.open = true;
  }

  set(step, place, value, isFirst) {
    const whole = this.side.restoration[step];
    if (value === "" && isFirst && whole === undefined) return undefined;
    if (value === "" && isFirst && step !== "noise") return this.owner.edit({ side: this.side.name, set: { [`restoration.${step}`]: "off" } });
    return this.owner.edit({ side: this.side.name, set: { [place]: value === "" ? null : value } });
  }

  hear(pressed, more) {
    const { owner } = this, { stretch } = owner.strip, around = owner.chosen ? owner.chosen.at : 0;
    const from = stretch ? stretch.from : Math.max(0, around - HEARD_S / 2), to = stretch ? stretch.to : from + HEARD_S;
    const stage = more.includes("stage=") ? more : `&stage=restored${more}`;
    owner.hear(pressed, from, to, `audio/side/${this.side.number}?from=${from}&to=${to}${stage}`);
  }
}
