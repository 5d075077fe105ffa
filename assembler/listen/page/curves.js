// Spectra, and gain reduction over a waveform.

import { colour, fitted } from "./waveform.js";

const RANGE_DB = 60, LEAST_SCALE_DB = 6;

/** Each course of gain reduction with its dashes: of the limiter, the compressor, the dynamic bands. */
const courses = (found) => [[found.limiter_db, []], [found.compressor_db || [], [6, 4]], ...found.bands_db.map(([, course]) => [course, [1.5, 3]])];

/** The gain reduction at the waveform's full height, in dB. */
export const scaleOf = (found) => Math.max(LEAST_SCALE_DB, ...courses(found).flatMap(([course]) => course.map(Math.ceil)));

/** Draw gain reduction from the top of a waveform downwards. */
export function drawReductions(canvas, found) {
  const { pen, width, height, ratio } = fitted(canvas), most = scaleOf(found);
  pen.strokeStyle = colour("--accent");
  pen.lineWidth = 2 * ratio;
  for (const [course, dash] of courses(found)) {
    pen.setLineDash(dash.map((length) => length * ratio));
    line(pen, course.map((db, i) => [(i + 0.5) / course.length * width, ratio + db / most * height]));
  }
  pen.setLineDash([]);
}

/** Draw the spectrum of source and finished sound, in third octaves. */
export function drawSpectrum(canvas, found) {
  const { pen, width, height, ratio } = fitted(canvas);
  pen.clearRect(0, 0, width, height);
  if (!found) return;
  const top = 5 * Math.ceil((Math.max(...found.source_db, ...found.finished_db) + 2) / 5);
  const x = (i) => (i + 0.5) / found.hz.length * width, y = (db) => Math.min(1.1, (top - db) / RANGE_DB) * height;
  pen.font = `${12 * ratio}px ${getComputedStyle(document.body).fontFamily}`;
  for (const [hz, name] of [[100, "100 Hz"], [1000, "1 kHz"], [10000, "10 kHz"]]) {
    const at = x(found.hz.indexOf(hz));
    pen.fillStyle = colour("--rule");
    pen.fillRect(at, 0, ratio, height);
    pen.fillStyle = colour("--faded");
    const wide = pen.measureText(name).width + 8 * ratio;
    pen.fillText(name, at + wide < width ? at + 4 * ratio : at - wide + 4 * ratio, height - 5 * ratio);
  }
  for (const [levels, wide, name] of [[found.source_db, 1, "--faded"], [found.finished_db, 2, "--ink"]]) {
    pen.strokeStyle = colour(name);
    pen.lineWidth = wide * ratio;
    line(pen, levels.map((db, i) => [x(i), y(db)]));
  }
}

function line(pen, points) {
  pen.beginPath();
  for (const [x, y] of points) pen.lineTo(x, y);
  pen.stroke();
}
