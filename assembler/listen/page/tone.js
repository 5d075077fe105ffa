// Levels, EQ and dynamics: names, units, choices, steps of the arrow keys, new bands.

const KEYS = {
  hz: ["Frequency", "Hz"], db: ["Gain", "dB", 0.1], q: ["Q", "", 0.1], slope: ["Slope", "dB/octave", 12],
  threshold: ["Threshold", "dBFS", 0.5], ratio: ["Ratio", "", 0.1], attack: ["Attack", "ms"], release: ["Release", "ms"],
  knee: ["Knee", "dB", 1], mix: ["Mix", "%", 5], sidechain_high_pass: ["Sidechain high-pass", "Hz"],
  mono_below: ["Mono below", "Hz"], clip: ["Soft clipper, at most", "dB", 0.5], on: ["On", ""], dynamic: ["Dynamic, threshold", "dBFS", 0.5],
  tone_like: ["Tone matched to", ""], match: ["Match", ""], target: ["Target", "LUFS", 0.5], ceiling: ["Ceiling", "dBTP", 0.1], link: ["Limiter link", "%", 5],
};
const BELOW_ZERO = new Set(["db", "threshold", "dynamic", "target", "ceiling"]);
const CHOICES = {
  on: [["", "stereo"], ["mid", "mid"], ["side", "side"]],
  match: [["album", "the album: one gain"], ["track", "each track"], ["none", "no gain"]],
};
/** Each shape of a band, and what a new one begins with: nothing is heard of it, or little. */
const SHAPES = {
  bell: { hz: 1000, db: 0 }, low_shelf: { hz: 120, db: 0 }, high_shelf: { hz: 8000, db: 0 },
  high_pass: { hz: 20 }, low_pass: { hz: 20000 }, notch: { hz: 50 },
};
export const COMPRESSOR = { threshold: -18, ratio: 1.5 };
const words = (name) => name.replace("_pass", "-pass").replace("_", " ");

export const shapes = Object.keys(SHAPES).map((name) => [name, words(name)]);
export const firstBand = (shape) => ({ shape, ...SHAPES[shape] });
export const isCompressor = (group) => group.kind === "compress";

/** The step of an arrow key: given, or about a tenth of the value. */
const stepOf = (key, value) => KEYS[key][2] || 10 ** Math.floor(Math.log10(Math.max(10, value || 100))) / 10;

/** The fields of all groups; each names its group, or none where it is always there. */
export function toneFields(groups, more = {}) {
  return groups.flatMap((group) => group.fields.map((one) => ({
    place: one.place, name: one.place.replace(/^tracks\[\d+\]\./, ""), label: KEYS[one.key][0], unit: KEYS[one.key][1],
    value: one.value, fallback: one.fallback === null ? undefined : one.fallback, options: CHOICES[one.key],
    step: stepOf(one.key, one.value), belowZero: BELOW_ZERO.has(one.key), group: group.remove || group.kind, ...more[one.key],
  })));
}

/** The groups that can be removed: bands and compressor, each with a heading. */
export function toneGroups(groups) {
  return groups.filter((one) => one.remove).map((one, i) => ({
    remove: one.remove, kind: one.kind,
    head: one.kind === "compress" ? "Compressor" : `Band ${i + 1}: ${[words(one.kind), one.on === "stereo" ? "" : one.on, one.fields.some((each) => each.key === "threshold") ? "dynamic" : ""].filter(Boolean).join(", ")}`,
  }));
}

const said = ({ key, value }) => {
  if (key === "ratio") return `${value} : 1`;
  return `${key === "threshold" ? "threshold " : ""}${key === "db" && value > 0 ? "+" : ""}${String(value).replace("-", "−")} ${KEYS[key][1]}`;
};

/** All settings in one line. */
export function summary(groups) {
  return groups.filter((one) => one.remove).map((one) => {
    const values = one.fields.filter((each) => each.value !== null && ["hz", "db", "threshold", "ratio"].includes(each.key)).map(said);
    return `${one.kind === "compress" ? "compressor" : words(one.kind)} ${values.join(", ")}`;
  }).join(" · ") || "none";
}
