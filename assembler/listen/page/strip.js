// The strip of a whole side: waveform, spectrum over time, marks. It shows any part of the side.

import { colour } from "./waveform.js";

const TILE = 512, COARSEST = 8, MOST_TILES = 400, NEAR = 7;
const columnFrames = (level) => (level >= 0 ? 256 * 4 ** level : level === -1 ? 16 : 1);

export class Strip {
  /** number, rate and length_s are the side's; act has move, choose and mark, see sides.js. */
  constructor(side, act) {
    this.side = side;
    this.act = act;
    this.view = { from: 0, to: side.length_s };
    this.marks = [];
    this.stretch = null;
    this.played = null;
    this.drag = null;
    this.tiles = new Map();
    this.waiting = false;
    this.canvas = Object.assign(document.createElement("canvas"), { tabIndex: 0, className: "strip" });
    this.canvas.setAttribute("role", "img");
    this.canvas.addEventListener("pointerdown", (event) => this.grab(event));
    this.canvas.addEventListener("pointermove", (event) => this.pull(event));
    this.canvas.addEventListener("pointerup", () => this.drop());
    this.canvas.addEventListener("pointercancel", () => { this.drag = null; this.redraw(); });
    this.canvas.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    new ResizeObserver(() => this.redraw()).observe(this.canvas);
  }

  /** Take the side's newest state; what is read of it by now is asked for again. */
  update(side) {
    if (side.waveform !== this.side.waveform) {
      for (const [key, tile] of this.tiles) if (!tile.complete) this.tiles.delete(key);
    }
    if (side.measured && !this.picture) this.loadSpectrum();
    this.side = side;
    this.redraw();
  }

  async loadSpectrum() {
    this.picture = new Image();
    this.picture.src = `picture/side/${this.side.number}/spectrum`;
    try {
      await this.picture.decode();
    } catch {
      return;
    }
    this.prints = {};
    this.redraw();
  }

  /** The spectrum in the colours of the page, light or dark. */
  print() {
    if (!this.prints) return null;
    const dark = matchMedia("(prefers-color-scheme: dark)").matches;
    if (!this.prints[dark]) {
      const found = new OffscreenCanvas(this.picture.naturalWidth, this.picture.naturalHeight), pen = found.getContext("2d");
      if (dark) pen.filter = "invert(1) hue-rotate(180deg)";
      pen.drawImage(this.picture, 0, 0);
      this.prints[dark] = found;
    }
    return this.prints[dark];
  }

  // ---- what is shown ----

  show(from, to) {
    const least = 64 / this.side.rate_hz, length = Math.min(Math.max(least, to - from), this.side.length_s);
    const start = Math.min(Math.max(0, from), this.side.length_s - length);
    this.view = { from: start, to: start + length };
    this.redraw();
  }

  zoom(by, around = this.middle) {
    const { from, to } = this.view;
    this.show(around - (around - from) * by, around + (to - around) * by);
  }

  /** Where closer views look: at the chosen mark, else in the middle. */
  get middle() {
    const { from, to } = this.view, chosen = this.marks.find((one) => one.chosen);
    return chosen && chosen.at >= from && chosen.at <= to ? chosen.at : (from + to) / 2;
  }

  scroll(share) {
    const by = share * (this.view.to - this.view.from);
    this.show(this.view.from + by, this.view.to + by);
  }

  /** Bring a time into view. */
  reveal(at) {
    const { from, to } = this.view, length = to - from;
    if (at < from || at > to) this.show(at - length / 2, at + length / 2);
    else this.redraw();
  }

  wheel(event) {
    if (event.ctrlKey) {
      event.preventDefault();
      this.zoom(Math.exp(event.deltaY / 200), this.timeAt(event.clientX));
    } else if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
      event.preventDefault();
      this.scroll((event.deltaX || event.deltaY) / this.canvas.clientWidth);
    }
  }

  // ---- the pointer ----

  timeAt(x) {
    const box = this.canvas.getBoundingClientRect(), { from, to } = this.view;
    return Math.min(Math.max(0, from + (x - box.left) / box.width * (to - from)), this.side.length_s);
  }

  grab(event) {
    if (event.button !== 0) return;
    const at = this.timeAt(event.clientX), near = NEAR / this.canvas.clientWidth * (this.view.to - this.view.from);
    const found = this.marks.filter((one) => !one.proposed && Math.abs(one.at - at) <= near).sort((a, b) => Math.abs(a.at - at) - Math.abs(b.at - at) || b.chosen - a.chosen)[0];
    this.canvas.setPointerCapture(event.pointerId);
    if (found) {
      this.drag = { mark: found, by: 0, began: at, revision: this.act.revision() };
      this.act.choose(found);
    } else {
      this.drag = { from: at };
    }
  }

  pull(event) {
    if (!this.drag) {
      const near = NEAR / this.canvas.clientWidth * (this.view.to - this.view.from), at = this.timeAt(event.clientX);
      this.canvas.classList.toggle("near", this.marks.some((one) => !one.proposed && Math.abs(one.at - at) <= near));
      return;
    }
    const at = this.timeAt(event.clientX);
    if (this.drag.mark) this.drag.by = at - this.drag.began;
    else this.stretch = { from: Math.min(this.drag.from, at), to: Math.max(this.drag.from, at) };
    this.redraw();
  }

  drop() {
    const { drag } = this;
    this.drag = null;
    if (drag && drag.mark && Math.abs(drag.by) / (this.view.to - this.view.from) > 1 / 2000) {
      this.act.move(drag.mark, drag.mark.at + drag.by, drag.revision);
    } else if (drag && !drag.mark) {
      this.act.mark(this.stretch);
    }
    this.redraw();
  }

  // ---- drawing ----

  redraw() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => { this.waiting = false; this.draw(); });
  }

  tile(level, number) {
    const key = `${level}/${number}`, known = this.tiles.get(key);
    if (known) {
      this.tiles.delete(key);
      this.tiles.set(key, known);  // the newest
      return known.low ? known : null;
    }
    this.tiles.set(key, { complete: true });
    while (this.tiles.size > MOST_TILES) this.tiles.delete(this.tiles.keys().next().value);
    this.load(key, level, number);
    return null;
  }

  async load(key, level, number) {
    try {
      const answer = await fetch(`picture/side/${this.side.number}?level=${level}&tile=${number}`);
      if (!answer.ok) throw new Error();
      const tile = await answer.json();
      this.tiles.set(key, { low: Float32Array.from(tile.low), high: Float32Array.from(tile.high), complete: tile.complete });
      this.redraw();
    } catch {
      this.tiles.set(key, { complete: false });  // asked for again when more is read
    }
  }

  /** The lowest and highest sample from one sample to another, as [low, high], of tiles that are here. */
  peak(start, end, level) {
    for (let one = level; one <= COARSEST; one++) {
      const frames = columnFrames(one), first = Math.floor(start / frames), last = Math.max(first, Math.ceil(end / frames) - 1);
      let low = 1, high = -1;
      for (let column = first; column <= last; column++) {
        const number = Math.floor(column / TILE), tile = one === level ? this.tile(one, number) : this.tiles.get(`${one}/${number}`);
        if (!tile || !tile.low || column % TILE >= tile.low.length) continue;
        low = Math.min(low, tile.low[column % TILE]);
        high = Math.max(high, tile.high[column % TILE]);
      }
      if (high >= low) return [low, high];
    }
    return null;
  }

  draw() {
    const { canvas, view } = this, ratio = devicePixelRatio || 1;
    const width = Math.round(canvas.clientWidth * ratio), height = Math.round(canvas.clientHeight * ratio);
    if (!width) return;
    if (canvas.width !== width || canvas.height !== height) [canvas.width, canvas.height] = [width, height];
    const pen = canvas.getContext("2d"), print = this.print(), wave = print ? Math.round(height * 0.62) : height;
    const x = (s) => (s - view.from) / (view.to - view.from) * width;
    pen.clearRect(0, 0, width, height);
    this.shade(pen, x, height);
    this.wave(pen, width, wave);
    if (print) {
      const scale = print.width / this.side.length_s;
      pen.drawImage(print, view.from * scale, 0, Math.max(1, (view.to - view.from) * scale), print.height, 0, wave, width, height - wave);
    }
    this.lines(pen, x, height, ratio);
  }

  shade(pen, x, height) {
    pen.fillStyle = colour("--pale");
    let at = 0;
    for (const one of this.marks.filter((mark) => !mark.proposed)) {
      if (one.which === "start" && one.at > at) pen.fillRect(x(at), 0, x(one.at) - x(at), height);
      if (one.which === "end") at = one.at;
    }
    pen.fillRect(x(at), 0, x(this.side.length_s) - x(at), height);
    if (!this.stretch) return;
    pen.fillStyle = colour("--tint");
    pen.fillRect(x(this.stretch.from), 0, Math.max(1, x(this.stretch.to) - x(this.stretch.from)), height);
  }

  wave(pen, width, height) {
    const perPixel = (this.view.to - this.view.from) * this.side.rate_hz / width, first = this.view.from * this.side.rate_hz;
    const level = perPixel < 16 ? -2 : perPixel < 256 ? -1 : Math.min(COARSEST, Math.floor(Math.log(perPixel / 256) / Math.log(4)));
    const middle = height / 2;
    pen.fillStyle = colour("--ink");
    pen.beginPath();
    for (let px = 0; px < width; px++) {
      const found = this.peak(first + px * perPixel, first + (px + 1) * perPixel, level);
      if (!found) continue;
      const top = middle - found[1] * middle;
      pen.rect(px, top, 1, Math.max(1, (found[1] - found[0]) * middle));
    }
    pen.fill();
  }

  lines(pen, x, height, ratio) {
    const moved = this.drag && this.drag.mark;
    pen.font = `${13 * ratio}px ${getComputedStyle(document.body).fontFamily}`;
    let free = -Infinity;
    for (const one of this.marks) {
      const at = x(one.at + (moved && moved.key === one.key ? this.drag.by : 0));
      if (at < -2 || at > x(this.view.to) + 2) continue;
      pen.fillStyle = colour(one.chosen ? "--accent" : one.proposed ? "--faded" : "--ink");
      if (one.proposed) for (let y = 0; y < height; y += 8 * ratio) pen.fillRect(at, y, ratio, 4 * ratio);
      else pen.fillRect(at - ratio / 2, 0, (one.chosen ? 3 : 1.5) * ratio, height);
      if (one.which !== "start" || one.proposed || at < free) continue;
      const wide = pen.measureText(one.name).width + 8 * ratio;
      pen.fillStyle = colour("--sheet");
      pen.fillRect(at + 2 * ratio, 0, wide, 18 * ratio);
      pen.fillStyle = colour(one.chosen ? "--accent" : "--ink");
      pen.fillText(one.name, at + 5 * ratio, 14 * ratio);
      free = at + wide;
    }
    if (this.played === null) return;
    pen.fillStyle = colour("--accent");
    pen.fillRect(x(this.played), 0, 2 * ratio, height);
  }
}
