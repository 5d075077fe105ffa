// Draws the running order to scale, as wide as the page, and shows the levels at the cursor.
"use strict";
(() => {
  const data = JSON.parse(document.getElementById("release").textContent);
  const STEPS = data.steps_per_second;
  const SILENCE = -12000; // hundredths of a dB
  const LEFT = 30, LABELS = 30, WAVE = 64, GAP = 8, LOUD = 60, AXIS = 16;
  const HEIGHT = LABELS + WAVE + GAP + LOUD + AXIS;
  const MIDDLE = LABELS + WAVE / 2, LOUD_TOP = LABELS + WAVE + GAP, LOUD_END = LOUD_TOP + LOUD;
  const PIXELS_PER_SECOND = 1.5; // at the least
  const LINE_STEP_S = 5;
  const SHORTEST_LABEL = 28;
  const PIXELS_PER_DB = 4; // of gain reduction
  const PRINT_WIDTH = 720;

  const node = (name, attributes, text) => {
    const made = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const key in attributes) made.setAttribute(key, attributes[key]);
    if (text !== undefined) made.textContent = text;
    return made;
  };
  const minus = (number, digits) => number.toFixed(digits).replace("-", "−");
  const clock = (s, digits) => {
    const unit = 10 ** digits, whole = Math.floor(s * unit + 1e-6);
    const minutes = Math.floor(whole / unit / 60), rest = whole / unit - 60 * minutes;
    return minutes + ":" + rest.toFixed(digits).padStart(digits ? digits + 3 : 2, "0");
  };

  globalThis.clock = clock; // form.js writes times in the same form

  const decoded = (text) =>
    new Int16Array(Uint8Array.from(atob(text), (sign) => sign.charCodeAt(0)).buffer);

  const laidOut = (disc, pieces, key, empty) => {
    const line = new Int16Array(Math.ceil(disc.length * STEPS) + 1).fill(empty);
    for (const piece of pieces) {
      const values = decoded(piece[key]), start = Math.round(piece.start * STEPS);
      line.set(values.subarray(0, line.length - start), start);
    }
    return line;
  };

  const withCurves = (disc) => Object.assign(disc, {
    peak: laidOut(disc, disc.stretches, "peak", SILENCE),
    rms: laidOut(disc, disc.stretches, "rms", SILENCE),
    loudness: laidOut(disc, disc.stretches, "loudness", data.not_yet),
    attenuation: laidOut(disc, disc.limiting, "attenuation", 0),
    top: (disc.target ?? -14) + 9,
    bottom: (disc.target ?? -14) - 21,
  });

  // One line of the picture: a number of seconds on a fixed width.
  const drawLine = (disc, from, line_s, width) => {
    const scale = (width - LEFT) / line_s, end = Math.min(disc.length, from + line_s);
    const x = (s) => LEFT + (s - from) * scale;
    const svg = node("svg", { viewBox: `0 0 ${width} ${HEIGHT}`, "aria-hidden": "true" });
    const add = (name, attributes, text) => svg.append(node(name, attributes, text));
    const block = (kind, start, stop, top, height) => {
      const a = Math.max(start, from), b = Math.min(stop, end);
      if (b > a) add("rect", { class: kind, x: x(a), width: (b - a) * scale, y: top, height });
    };

    const grain = [5, 10, 15, 30, 60, 120].find((s) => s * scale >= 44) ?? 300;
    for (let s = Math.ceil(from / grain) * grain; s <= end; s += grain) {
      add("line", { class: "tick", x1: x(s), x2: x(s), y1: LABELS, y2: LOUD_END });
      const spaced = width - x(s) > 32;
      if (spaced) add("text", { class: "small", x: x(s) + 2, y: HEIGHT - 4 }, clock(s, 0));
    }
    block("sound", 0, disc.hidden, LABELS, WAVE);
    for (const track of disc.tracks) {
      block("sound", track.start, track.end, LABELS, WAVE);
      block("overlap", track.start, track.start + track.overlap, LABELS, WAVE);
    }
    drawWave(disc, svg, from, end, x, scale);
    drawLoudness(disc, svg, from, end, x, scale, width);
    drawMarks(disc, svg, from, line_s, x, scale);
    const cursor = node("line", { class: "cursor", y1: 2, y2: LOUD_END, visibility: "hidden" });
    svg.append(cursor);
    return { svg, cursor, from, line_s, x };
  };

  // Starts of tracks with their titles, and index points.
  const drawMarks = (disc, svg, from, line_s, x, scale) => {
    const here = (s) => s >= from && s < from + line_s;
    const add = (name, attributes, text) => svg.append(node(name, attributes, text));
    const labels = disc.hidden > 0 && here(0) ? [[0, disc.hidden, "hidden"]] : [];
    for (const track of disc.tracks) {
      const runsOn = track.start < from && track.end > from;
      if (here(track.start)) {
        const at = x(track.start);
        add("line", { class: "edge", x1: at, x2: at, y1: 2, y2: LOUD_END });
      }
      if (here(track.start) || (runsOn && (track.end - from) * scale > SHORTEST_LABEL)) {
        labels.push([Math.max(track.start, from), track.end, `${track.number} ${track.title}`]);
      }
      track.points.forEach((point, n) => {
        if (!here(point)) return;
        add("path", { class: "point", d: `M${x(point) - 4} 18h8l-4 8z` });
        if ((track.points[n + 1] - point) * scale < SHORTEST_LABEL) return;
        add("text", { class: "small", x: x(point) + 6, y: 27 }, String(n + 2).padStart(2, "0"));
      });
    }
    for (const [start, stop, text] of labels) {
      const room = (Math.min(stop, from + line_s) - start) * scale - 5;
      const frame = node("svg", { x: x(start) + 4, y: 0, width: Math.max(room, 14), height: 18 });
      frame.append(node("text", { x: 0, y: 13 }, text));
      svg.append(frame);
    }
  };

  const drawWave = (disc, svg, from, end, x, scale) => {
    const above = { peak: "", rms: "" }, below = { peak: "", rms: "" };
    const count = Math.ceil((end - from) * scale);
    for (let column = 0; column < count; column++) {
      const first = Math.floor((from + column / scale) * STEPS);
      const last = Math.max(first + 1, Math.floor((from + (column + 1) / scale) * STEPS));
      let peak = SILENCE, power = 0;
      for (let i = first; i < last && i < disc.peak.length; i++) {
        peak = Math.max(peak, disc.peak[i]);
        power += 10 ** (disc.rms[i] / 1000);
      }
      const half = {
        peak: 10 ** (peak / 2000) * WAVE / 2,
        rms: Math.sqrt(power / (last - first)) * WAVE / 2,
      };
      for (const kind in half) {
        const at = LEFT + column;
        above[kind] += `L${at} ${(MIDDLE - half[kind]).toFixed(1)}`;
        below[kind] = `L${at} ${(MIDDLE + half[kind]).toFixed(1)}` + below[kind];
      }
    }
    for (const kind of ["peak", "rms"]) {
      svg.append(node("path", { class: kind, d: `M${LEFT} ${MIDDLE}${above[kind]}${below[kind]}Z` }));
    }
    svg.append(node("line", { class: "base", x1: LEFT, x2: x(end), y1: MIDDLE, y2: MIDDLE }));
  };

  const drawLoudness = (disc, svg, from, end, x, scale, width) => {
    const y = (lufs) => {
      const share = (disc.top - lufs) / (disc.top - disc.bottom);
      return LOUD_TOP + Math.min(1, Math.max(0, share)) * LOUD;
    };
    const step = Math.max(1, Math.floor(STEPS / scale));
    let path = "", limiting = "", pen = "M";
    for (let i = Math.floor(from * STEPS); i < end * STEPS; i += step) {
      let deepest = 0;
      for (let k = i; k < i + step; k++) deepest = Math.max(deepest, disc.attenuation[k] ?? 0);
      const at = x(i / STEPS).toFixed(1);
      if (deepest > 0) {
        const depth = Math.min(LOUD, Math.max(1, deepest / 100 * PIXELS_PER_DB)).toFixed(1);
        limiting += `M${at} ${LOUD_TOP}v${depth}h${(step / STEPS * scale).toFixed(2)}v-${depth}z`;
      }
      if (disc.loudness[i] === data.not_yet) {
        pen = "M";
        continue;
      }
      path += `${pen}${at} ${y(disc.loudness[i] / 100).toFixed(1)}`;
      pen = "L";
    }
    const right = x(end);
    for (const lufs of [disc.top, disc.bottom]) {
      svg.append(node("line", { class: "base", x1: LEFT, x2: right, y1: y(lufs), y2: y(lufs) }));
    }
    svg.append(node("path", { class: "limiting", d: limiting }));
    if (!disc.limiting.length) markDeepest(disc, svg, from, end, x);
    if (disc.target !== null) {
      const at = y(disc.target);
      svg.append(node("line", { class: "target", x1: LEFT, x2: right, y1: at, y2: at }));
      svg.append(node("text", { class: "small", x: 0, y: at + 4 }, minus(disc.target, 0)));
    }
    svg.append(node("text", { class: "small", x: 0, y: LOUD_TOP + 8 }, minus(disc.top, 0)));
    svg.append(node("text", { class: "small", x: 0, y: LOUD_END }, minus(disc.bottom, 0)));
    svg.append(node("path", { class: "loudness", d: path }));
  };

  // Without gain reduction over time, only the maximum of each track is drawn.
  const markDeepest = (disc, svg, from, end, x) => {
    for (const track of disc.tracks) {
      const at = track.start + track.limited_at;
      if (track.most_limiting <= 0 || at < from || at >= end) continue;
      const height = Math.min(LOUD, Math.max(1, track.most_limiting * PIXELS_PER_DB));
      svg.append(node("rect", { class: "limiting", x: x(at) - 1, width: 2, y: LOUD_TOP, height }));
    }
  };

  const trackAt = (disc, s) => disc.tracks.findLast((track) => track.start <= s);

  const reading = (disc, s) => {
    const i = Math.min(Math.floor(s * STEPS + 1e-6), disc.peak.length - 1);
    const level = (curve, unit) =>
      curve[i] <= SILENCE ? "silence" : `${minus(curve[i] / 100, 1)} ${unit}`;
    const track = trackAt(disc, s);
    let place = s < disc.hidden ? "hidden audio" : "gap";
    if (track && s < track.end) {
      place = `track ${track.number} ${track.title} at ${clock(s - track.start, 1)}`;
    }
    const parts = [`${clock(s, 1)}, ${place}`];
    if (disc.loudness[i] !== data.not_yet) {
      parts.push(`short-term loudness ${level(disc.loudness, "LUFS")}`);
    }
    parts.push(`peak ${level(disc.peak, "dBFS")}`, `RMS ${level(disc.rms, "dBFS")}`);
    if (disc.limiting.length) parts.push(`gain reduction ${minus(disc.attenuation[i] / 100, 1)} dB`);
    return parts.join("; ");
  };

  class Picture {
    constructor(disc, figure, status) {
      Object.assign(this, { disc, figure, status, at: 0, lines: [], width: 0 });
      figure.addEventListener("pointermove", (event) => this.point(event));
      figure.addEventListener("click", (event) => this.point(event) && this.play());
      figure.addEventListener("focus", () => this.go(this.at));
      figure.addEventListener("keydown", (event) => this.key(event));
      document.addEventListener("playing-at", ({ detail }) => {
        const track = disc.tracks.find((one) => one.id === detail.track);
        if (track) this.go(track.start + detail.s);
      });
    }

    draw(width) {
      if (width === this.width) return;
      this.width = width;
      const lines = Math.ceil(this.disc.length * PIXELS_PER_SECOND / (width - LEFT));
      const line_s = Math.ceil(this.disc.length / lines / LINE_STEP_S) * LINE_STEP_S;
      this.lines = [];
      for (let from = 0; from < this.disc.length; from += line_s) {
        this.lines.push(drawLine(this.disc, from, line_s, width));
      }
      this.figure.replaceChildren(...this.lines.map((line) => line.svg));
    }

    point(event) {
      const line = this.lines.find(({ svg }) => svg.contains(event.target));
      if (!line) return false;
      const box = line.svg.getBoundingClientRect();
      const at = (event.clientX - box.left) * this.width / box.width;
      const s = line.from + Math.max(0, at - LEFT) / (this.width - LEFT) * line.line_s;
      this.go(s);
      return true;
    }

    go(s) {
      this.at = Math.min(Math.max(s, 0), this.disc.length);
      const text = reading(this.disc, this.at);
      for (const { cursor, from, line_s, x } of this.lines) {
        const here = this.at >= from && this.at < from + line_s;
        cursor.setAttribute("visibility", here ? "visible" : "hidden");
        cursor.setAttribute("x1", x(this.at));
        cursor.setAttribute("x2", x(this.at));
      }
      this.status.textContent = text;
      this.figure.setAttribute("aria-valuenow", Math.floor(this.at));
      this.figure.setAttribute("aria-valuetext", text);
    }

    key(event) {
      const starts = this.disc.tracks.map((track) => track.start);
      const step = event.shiftKey ? 10 : 1;
      const target = {
        ArrowRight: () => this.at + step,
        ArrowLeft: () => this.at - step,
        PageUp: () => this.at + 10,
        PageDown: () => this.at - 10,
        Home: () => 0,
        End: () => this.disc.length,
        ArrowUp: () => starts.find((s) => s > this.at + 0.01) ?? this.disc.length,
        ArrowDown: () => starts.findLast((s) => s < this.at - 0.01) ?? 0,
      }[event.key];
      if (target) this.go(target());
      else if (event.key === "Enter" || event.key === " ") this.play();
      else return;
      event.preventDefault();
    }

    play() {
      const track = trackAt(this.disc, this.at);
      if (!track) return;
      const s = Math.min(this.at - track.start, track.end - track.start);
      document.dispatchEvent(new CustomEvent("play-track", { detail: { track: track.id, s } }));
    }
  }

  const pictures = data.discs.map((disc, n) => new Picture(
    withCurves(disc),
    document.querySelector(`.picture[data-disc="${n}"]`),
    document.querySelector(`.reading[data-disc="${n}"]`),
  ));
  const drawAll = (width) => {
    for (const picture of pictures) {
      picture.draw(Math.max(240, Math.floor(width ?? picture.figure.clientWidth)));
    }
  };
  performance.mark("picture-begins");
  drawAll();
  performance.measure("picture", "picture-begins");
  for (const { status } of pictures) status.textContent = "Point at the picture to see time and levels.";
  new ResizeObserver(() => matchMedia("print").matches || drawAll()).observe(pictures[0].figure);
  addEventListener("beforeprint", () => drawAll(PRINT_WIDTH));
  addEventListener("afterprint", () => drawAll());
})();
