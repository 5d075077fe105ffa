// The level of a track: its EQ, compressor and limiter, its spectrum before and after, gain reduction.

import { button, make } from "./desk.js";
import { drawReductions, drawSpectrum, scaleOf } from "./curves.js";
import { signed } from "./entries.js";
import { Entry, quiet } from "./entry.js";
import { shapes, summary, toneGroups, withBand, withCompressor } from "./tone.js";

const HEARD_DB = 50;

export class LevelEntry extends Entry {
  constructor(key) {
    super(key);
    this.curves = null;
    this.curvesOf = null;
    this.rows = new Map();
    this.spectrum = make("canvas", { className: "spectrum" });
    this.spectrum.setAttribute("role", "img");
    this.spectrum.setAttribute("aria-label", "Spectrum of source and finished sound");
    this.differs = make("p", { className: "says" });
    this.shape = make("select", {}, ...shapes.map(([value, text]) => make("option", { value }, text)));
    this.compressor = button("Add a compressor", () => this.add(withCompressor(this.entry.track), `tracks[${this.entry.track.index}].compress`));
    this.bands = make("div");
    this.heading = make("summary");
    this.part = make("details", {}, this.heading, this.bands, make("div", { className: "fields" },
      make("label", { className: "field" }, make("span", {}, "New band"), this.shape),
      button("Add the band", () => this.addBand()), this.compressor));
    this.canvas.after(this.spectrum, this.differs);
    this.body.append(this.part);
  }

  change(entry, own, found) {
    this.showGroups(entry.track);
    super.change(entry, own, found);
  }

  /** Make the rows of bands and compressor again where there are others, so that no number gets into another's field. */
  showGroups(track) {
    const groups = toneGroups(track), stamp = JSON.stringify(groups);
    this.heading.textContent = summary(track);
    this.compressor.hidden = groups.some((one) => one.head === "Compressor");
    if (stamp === this.groupsStamp) return;
    if (this.groupsStamp === undefined) this.part.open = groups.length > 0;
    this.groupsStamp = stamp;
    for (const [name, input] of this.fields) if (this.bands.contains(input)) this.fields.delete(name);
    this.rows = new Map(groups.map((one) => [one.remove, this.group(one)]));
    this.bands.replaceChildren(...this.rows.values());
  }

  group({ head, remove }) {
    const row = make("div", { className: "fields band" }, make("strong", {}, head));
    row.setAttribute("role", "group");
    row.setAttribute("aria-label", head);
    const away = button("Remove", async () => { if (await this.regroup({ [remove]: null })) this.shape.focus(); });
    away.setAttribute("aria-label", `Remove ${head}`);
    row.append(away);
    return row;
  }

  place(label, one) {
    const row = this.rows.get(one.group);
    if (row) row.lastChild.before(label);
    else super.place(label, one);
  }

  /** Add or remove a band or the compressor: until it is done, nobody can reach a band that will have another number. */
  async regroup(set) {
    if (this.part.inert) return false;
    this.part.inert = true;
    const done = await this.edit(set);
    this.part.inert = false;
    return done;
  }

  addBand() {
    const { track } = this.entry, count = toneGroups(track).filter((one) => one.head !== "Compressor").length;
    this.add(withBand(track, count, this.shape.value), `tracks[${track.index}].equaliser[${count}]`);
  }

  async add(set, place) {
    if (!(await this.regroup(set))) return;
    const found = [...this.fields.values()].filter((input) => input.dataset.place.startsWith(place));
    if (found.length) found[0].focus();
  }

  async load() {
    await Promise.all([super.load(), this.loadCurves()]);
  }

  async loadCurves() {
    const { url } = this.entry.curves, stamp = `${url} ${this.entry.stamp}`;
    if (!this.shows || this.curvesOf === stamp) return;
    this.curvesOf = stamp;
    if (this.curves && !(await quiet(() => this.curvesOf === stamp))) return;
    try {
      const answer = await fetch(url);
      if (!answer.ok) throw new Error();
      const curves = await answer.json();
      if (this.curvesOf !== stamp) return;
      this.curves = curves;
    } catch {
      if (this.curvesOf === stamp) this.curvesOf = null;
      return;
    }
    this.sayCurves();
    this.redraw();
  }

  sayCurves() {
    const { hz, source_db, finished_db, matched_db, limiter_db, compressor_db } = this.curves;
    const loudest = Math.max(...finished_db), most = (course) => `${Math.max(0, ...course).toFixed(1)} dB`;
    const changes = hz.map((at, i) => ({ at, by: finished_db[i] - source_db[i], heard: Math.max(finished_db[i], source_db[i]) > loudest - HEARD_DB }))
      .filter((one) => one.heard).sort((a, b) => a.by - b.by);
    const said = ({ at, by }) => `${signed(by)} dB at ${at < 1000 ? `${at} Hz` : `${at / 1000} kHz`}`;
    this.differs.textContent = [
      `Over the waveform: gain reduction, full height ${scaleOf(this.curves)} dB; limiter (solid) up to ${most(limiter_db)}${compressor_db ? `, compressor (dashed) up to ${most(compressor_db)}` : ""}.`,
      `Spectrum in third octaves: finished (thick), and source (thin) ${signed(matched_db)} dB, at the same loudness.`,
      changes.length ? `Changed by ${said(changes[0])} to ${said(changes[changes.length - 1])}.` : "",
    ].join(" ");
  }

  redraw(played = null) {
    super.redraw(played);
    if (!this.shows || !this.curves) return;
    drawReductions(this.canvas, this.curves);
    if (played === null) drawSpectrum(this.spectrum, this.curves);
  }
}
