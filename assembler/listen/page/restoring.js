// The restoration of a side: each step with its numbers, with and without, and what it removes.

import { Bands } from "./bands.js";
import { button, make } from "./desk.js";
import { Fields } from "./fields.js";
import { toneFields } from "./tone.js";

const STANDARDS = [["", "not known"], ["nab", "NAB"], ["iec1", "IEC1 (CCIR)"], ["iec2", "IEC2"], ["type1", "cassette type I"], ["type2", "cassette type II"]];
const SPEEDS = [["", "not known"], ...["38", "19", "9.5", "4.75"].map((one) => [one, `${one} cm/s`])];
const PLAYBACK = ["played", "recorded", "tape_speed"];
// The first of a step's numbers switches it off where it is empty.
const STEPS = [
  { step: "dc", name: "DC offset", fields: [["restoration.dc", "remove, or empty"]] },
  { step: "swap_channels", name: "Left and right swapped", fields: [["restoration.swap_channels", "yes, or empty"]] },
  { step: "invert_polarity", name: "Polarity inverted", fields: [["restoration.invert_polarity", "left, right or both"]] },
  { step: "declick", name: "Clicks", fields: [["restoration.declick.strength", "strength, 1 to 10"]] },
  { step: "dropouts", name: "Dropouts", fields: [["restoration.dropouts", "repair, or empty"]] },
  { step: "playback", name: "Playback EQ", fields: [["played", "the deck was set to", STANDARDS], ["recorded", "recorded by", STANDARDS], ["tape_speed", "tape speed", SPEEDS]] },
  { step: "azimuth", name: "Azimuth", fields: [["restoration.azimuth", "µs, auto or follow"]] },
  { step: "balance", name: "Balance", fields: [["restoration.balance", "dB left, or auto"]] },
  { step: "hum", name: "Hum", fields: [["restoration.hum.mains", "mains, 50 or 60 Hz"], ["restoration.hum.harmonics", "harmonics"]] },
  { step: "noise", name: "Noise", fields: [["restoration.noise.reduction", "reduction, dB"], ["restoration.noise.from", "print from"], ["restoration.noise.to", "print to"]] },
  { step: "equaliser", name: "EQ of the side", fields: [] },
  { step: "wow", name: "Wow", fields: [["restoration.wow", "auto, or empty"]] },
  { step: "speed", name: "Speed", fields: [["restoration.speed", "percent"]] },
];
const HEARD_S = 8;

const at = (content, place) => place.split(".").reduce((found, key) => (found && typeof found === "object" ? found[key] : undefined), content);
const isOff = (value) => value === undefined || value === null || ["off", "no", "false"].includes(String(value).toLowerCase());

export class Restoring {
  constructor(side) {
    this.owner = side;
    this.rows = new Map();
    this.tone = new Fields(async (set, undone = () => {}) => {
      const ok = await this.owner.edit({ side: this.side.name, set });
      if (!ok) undone();
      return ok;
    });
    this.bands = new Bands(this.tone, false);
    this.mono = make("div", { className: "fields" });
    this.bands.list.after(this.mono);
    this.faults = make("ul", { className: "faults" });
    this.summary = make("summary", {}, "Restoration");
    this.part = make("details", {}, this.summary,
      make("p", { className: "says" }, "Each step is played on the stretch, or around the chosen mark."), this.faults,
      make("ol", { className: "entries steps" }, ...STEPS.map((one) => this.row(one))));
  }

  row({ step, name, fields }) {
    const found = { fields: new Map(), does: make("span", { className: "says" }) };
    for (const [place, label, options] of fields) {
      const field = options ? make("select", {}, ...options.map(([value, text]) => make("option", { value }, text))) : make("input", { type: "text", autocomplete: "off" });
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
    const own = step === "equaliser" ? [this.bands.part] : [...found.fields.values()].map((field) => field.labelled);
    return make("li", { className: "fields step" }, ...own, ...found.plays, found.does);
  }

  update(side) {
    this.side = side;
    const does = new Map((side.steps || []).map((one) => [one.step, one.does]));
    this.bands.show(side.tone, "", "EQ of the side");
    this.tone.show(toneFields(side.tone), (label, one) => { if (!this.bands.places(label, one)) this.mono.append(label); });
    const used = STEPS.filter((one) => this.showStep(one, does));
    this.summary.textContent = used.length ? `Restoration: ${used.map((one) => one.name.replace(/^[A-Z](?=[a-z])/, (letter) => letter.toLowerCase())).join(", ")}` : "Restoration: none";
    this.showFaults(side.faults || []);
  }

  /** Show a step's numbers and what it does; return whether it is in use. */
  showStep({ step, fields }, does) {
    const row = this.rows.get(step), isSetting = fields.length && step !== "playback";
    const used = isSetting ? !isOff(at(this.side, `restoration.${step}`)) : does.has(step);
    const isChosen = step === "playback" && this.isIncomplete(row);
    for (const [place] of fields) {
      const field = row.fields.get(place), found = at(this.side, place);
      const value = !isOff(found) && typeof found !== "object" && (used || !isSetting) ? String(found) : "";
      if (!isChosen && (document.activeElement !== field || field.value === field.dataset.value)) field.value = value;
      field.dataset.value = value;
    }
    for (const one of row.plays) one.hidden = !used;
    row.does.textContent = does.get(step) || (used ? this.undetermined(step) : this.hint(step, row));
    return used;
  }

  undetermined(step) {
    const reason = (this.side.unresolved || {})[step];
    return reason ? `not determined, so it is left unchanged: ${reason}` : "not determined yet";
  }

  isIncomplete(row) {
    const count = PLAYBACK.filter((place) => row.fields.get(place).value).length;
    return count > 0 && count < PLAYBACK.length;
  }

  hint(step, row) {
    if (step !== "playback") return "";
    if (this.isIncomplete(row)) return "Choose all three: standard of the deck, of the recording, and tape speed.";
    return row.fields.get("played").value ? "Both have the same time constants: nothing is changed." : "";
  }

  showFaults(faults) {
    const stamp = JSON.stringify([faults, this.side.restoration]);
    if (stamp === this.stamp) return;
    this.stamp = stamp;
    this.faults.replaceChildren(...faults.map((one) => {
      const found = make("li", {}, `${one.measured}: ${one.remedy}. `);
      const places = Object.entries(one.settings).filter(([place, value]) => String(at(this.side, place)) !== String(value));
      if (places.length) found.append(button(`Use ${places.map(([place, value]) => `${place.split(".").slice(1).join(" ").replace("_", " ")} ${value}`).join(", ")}`, () => this.owner.edit({ side: this.side.name, set: one.settings })));
      return found;
    }));
    if (JSON.stringify(faults) === this.opened) return;  // it may have been closed since
    this.opened = JSON.stringify(faults);
    if (faults.some((one) => Object.keys(one.settings).length)) this.part.open = true;
  }

  async set(step, place, value, isFirst) {
    const whole = this.side.restoration[step], side = this.side.name;
    if (step === "playback") return this.setPlayback();
    if (value === "" && isFirst && whole === undefined) return undefined;
    if (value === "" && isFirst && step !== "noise") return this.owner.edit({ side, set: { [`restoration.${step}`]: "off" } });
    return this.owner.edit({ side, set: { [place]: value === "" ? null : value } });
  }

  /** The three belong together: they are written once all are chosen, and removed where none is. */
  async setPlayback() {
    const row = this.rows.get("playback");
    row.does.textContent = this.hint("playback", row);
    if (this.isIncomplete(row)) return;
    const fields = PLAYBACK.map((place) => [place, row.fields.get(place)]);
    const ok = await this.owner.edit({ side: this.side.name, set: Object.fromEntries(fields.map(([place, field]) => [place, field.value || null])) });
    if (!ok) for (const [, field] of fields) field.value = field.dataset.value;
  }

  hear(pressed, more) {
    const { owner } = this, { stretch } = owner.strip, around = owner.chosen ? owner.chosen.at : 0;
    const from = stretch ? stretch.from : Math.max(0, around - HEARD_S / 2), to = stretch ? stretch.to : from + HEARD_S;
    const stage = more.includes("stage=") ? more : `&stage=restored${more}`;
    owner.hear(pressed, from, to, `audio/side/${this.side.number}?from=${from}&to=${to}${stage}`);
  }
}
