// The groups of a tone: bands that are added and removed, and where it has one the compressor.

import { button, make } from "./desk.js";
import { COMPRESSOR, firstBand, isCompressor, shapes, summary, toneGroups } from "./tone.js";

export class Bands {
  /** fields shows the numbers; place is where the keys of the tone are in the manifest. */
  constructor(fields, hasCompressor) {
    this.fields = fields;
    this.rows = new Map();
    this.shape = make("select", {}, ...shapes.map(([value, text]) => make("option", { value }, text)));
    this.list = make("div");
    this.heading = make("summary");
    this.compressor = button("Add a compressor", () => this.add(
      Object.fromEntries(Object.entries(COMPRESSOR).map(([key, value]) => [`${this.place}compress.${key}`, value])), `${this.place}compress`));
    this.part = make("details", {}, this.heading, this.list, make("div", { className: "fields" },
      make("label", { className: "field" }, make("span", {}, "New band"), this.shape),
      button("Add the band", () => this.addBand()), ...(hasCompressor ? [this.compressor] : [])));
  }

  /** Make the rows again where there are others, so that no number gets into another's field; else they stay, with what is typed there. */
  show(tone, place, name) {
    const groups = toneGroups(tone), stamp = JSON.stringify(groups.map(({ kind, remove }) => [kind, remove]));
    this.place = place;
    this.heading.textContent = `${name}: ${summary(tone)}`;
    this.compressor.hidden = groups.some(isCompressor);
    this.count = groups.filter((one) => !isCompressor(one)).length;
    if (stamp !== this.stamp) {
      if (this.stamp === undefined) this.part.open = groups.length > 0;
      this.stamp = stamp;
      this.fields.forget(this.list);
      this.rows = new Map(groups.map((one) => [one.remove, this.group(one)]));
      this.list.replaceChildren(...this.rows.values());
    }
    for (const { head, remove } of groups) {
      const row = this.rows.get(remove);
      row.firstChild.textContent = head;
      row.setAttribute("aria-label", head);
      row.lastChild.setAttribute("aria-label", `Remove ${head}`);
    }
  }

  group({ remove }) {
    const row = make("div", { className: "fields band" }, make("strong"));
    row.setAttribute("role", "group");
    row.append(button("Remove", async () => { if (await this.regroup({ [remove]: null })) this.shape.focus(); }));
    return row;
  }

  /** Put a field's label in the row of its group; false where it has none. */
  places(label, one) {
    const row = this.rows.get(one.group);
    if (row) row.lastChild.before(label);
    return Boolean(row);
  }

  /** Add or remove a group: until it is done, nobody can reach a band that will have another number. */
  async regroup(set) {
    if (this.part.inert) return false;
    this.part.inert = true;
    const done = await this.fields.edit(set);
    this.part.inert = false;
    return done;
  }

  addBand() {
    const place = `${this.place}equaliser`, band = firstBand(this.shape.value);
    const set = this.count
      ? Object.fromEntries(Object.entries(band).map(([key, value]) => [`${place}[${this.count}].${key}`, value]))
      : { [place]: [band] };
    this.add(set, `${place}[${this.count}]`);
  }

  async add(set, place) {
    if (!(await this.regroup(set))) return;
    const found = [...this.fields.inputs.values()].find((input) => input.type === "text" && input.dataset.place.startsWith(place));
    if (found) found.focus();
  }
}
