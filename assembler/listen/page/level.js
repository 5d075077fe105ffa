// The level of a track: its EQ, compressor and limiter, its spectrum before and after, gain reduction.

import { make } from "./desk.js";
import { Bands } from "./bands.js";
import { drawReductions, drawSpectrum, scaleOf } from "./curves.js";
import { signed } from "./entries.js";
import { Entry, quiet } from "./entry.js";

const HEARD_DB = 50;

export class LevelEntry extends Entry {
  constructor(key) {
    super(key);
    this.curves = null;
    this.curvesOf = null;
    this.spectrum = make("canvas", { className: "spectrum" });
    this.spectrum.setAttribute("role", "img");
    this.spectrum.setAttribute("aria-label", "Spectrum of source and finished sound");
    this.differs = make("p", { className: "says" });
    this.canvas.after(this.spectrum, this.differs);
    this.parts = new Map();
  }

  change(entry, own, found) {
    if (entry.tone) this.showBands(entry.tone, `tracks[${entry.tracks[0]}].`);
    super.change(entry, own, found);
  }

  showBands(tone, place) {
    if (!this.bands) {
      this.bands = new Bands(this.fields, true);
      this.body.append(this.bands.part);
    }
    this.bands.show(tone, place, "EQ and compressor");
  }

  place(label, one) {
    if (one.part) this.partOf(one.part).append(label);
    else if (!(this.bands && this.bands.places(label, one))) super.place(label, one);
  }

  /** A row of its own for fields that belong together. */
  partOf(name) {
    if (!this.parts.has(name)) {
      const row = make("div", { className: "fields band" }, make("strong", {}, name));
      row.setAttribute("role", "group");
      row.setAttribute("aria-label", name);
      this.row.before(row);
      this.parts.set(name, row);
    }
    return this.parts.get(name);
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
    const { hz, source_db, finished_db, matched_db, limiter_db, compressor_db, bands_db } = this.curves;
    const loudest = Math.max(...finished_db), most = (course) => `${Math.max(0, ...course).toFixed(1)} dB`;
    const changes = hz.map((at, i) => ({ at, by: finished_db[i] - source_db[i], heard: Math.max(finished_db[i], source_db[i]) > loudest - HEARD_DB }))
      .filter((one) => one.heard).sort((a, b) => a.by - b.by);
    const said = ({ at, by }) => `${signed(by)} dB at ${at < 1000 ? `${at} Hz` : `${at / 1000} kHz`}`;
    this.differs.textContent = [
      `Over the waveform: gain reduction, full height ${scaleOf(this.curves)} dB; limiter (solid) up to ${most(limiter_db)}${compressor_db ? `, compressor (dashed) up to ${most(compressor_db)}` : ""}${bands_db.map(([n, course]) => `, band ${n} (dotted) up to ${most(course)}`).join("")}.`,
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
