// EQ, compressor, mono and limiter link of a track: names, units, steps of the arrow keys, new bands.

const KEYS = {
  hz: ["Frequency", "Hz"], db: ["Gain", "dB", 0.1], q: ["Q", "", 0.1], slope: ["Slope", "dB/octave", 12],
  threshold: ["Threshold", "dBFS", 0.5], ratio: ["Ratio", "", 0.1], attack: ["Attack", "ms"], release: ["Release", "ms"],
  knee: ["Knee", "dB", 1], mix: ["Mix", "%", 5], sidechain_high_pass: ["Sidechain high-pass", "Hz"],
  mono_below: ["Mono below", "Hz"], clip: ["Soft clipper, at most", "dB", 0.5], link: ["Limiter link, all tracks", "%", 5],
};
const BELOW_ZERO = new Set(["db", "threshold"]);
/** Each shape of a band, and what a new one begins with: nothing is heard of it, or little. */
const SHAPES = {
  bell: { hz: 1000, db: 0 }, low_shelf: { hz: 120, db: 0 }, high_shelf: { hz: 8000, db: 0 },
  high_pass: { hz: 20 }, low_pass: { hz: 20000 }, notch: { hz: 50 },
};
const COMPRESSOR = { threshold: -18, ratio: 1.5 };
const words = (name) => name.replace("_pass", "-pass").replace("_", " ");

export const shapes = Object.keys(SHAPES).map((name) => [name, words(name)]);

/** The step of an arrow key: given, or about a tenth of the value. */
const stepOf = (key, value) => KEYS[key][2] || 10 ** Math.floor(Math.log10(Math.max(10, value || 100))) / 10;

/** The fields of all groups; each names its group, or none where it is always there. */
export function toneFields(track) {
  return track.tone.flatMap((group) => group.fields.map((one) => ({
    place: one.place, name: one.place.replace(/^tracks\[\d+\]\./, ""), label: KEYS[one.key][0], unit: KEYS[one.key][1],
    value: one.value, fallback: one.fallback === null ? undefined : one.fallback,
    step: stepOf(one.key, one.value), belowZero: BELOW_ZERO.has(one.key), group: group.remove,
  })));
}

/** The groups that can be removed: bands and compressor, each with a heading. */
export function toneGroups(track) {
  return track.tone.filter((one) => one.remove).map((one, i) => ({
    remove: one.remove, keys: one.fields.map((each) => each.key).join(),
    head: one.kind === "compress" ? "Compressor" : `Band ${i + 1}: ${[words(one.kind), one.on === "stereo" ? "" : one.on, one.fields.some((each) => each.key === "threshold") ? "dynamic" : ""].filter(Boolean).join(", ")}`,
  }));
}

const said = ({ key, value }) => {
  if (key === "ratio") return `${value} : 1`;
  return `${key === "db" && value > 0 ? "+" : ""}${String(value).replace("-", "−")} ${KEYS[key][1]}`;
};

/** All settings in one line. */
export function summary(track) {
  const shown = track.tone.filter((one) => one.remove).map((one) => {
    const values = one.fields.filter((each) => each.value !== null && ["hz", "db", "threshold", "ratio"].includes(each.key)).map(said);
    return `${one.kind === "compress" ? "compressor" : words(one.kind)} ${values.join(", ")}`;
  });
  return `EQ and compressor: ${shown.join(" · ") || "none"}`;
}

/** What adds a band to so many, as values by place. */
export function withBand(track, count, shape) {
  const place = `tracks[${track.index}].equaliser`, band = { shape, ...SHAPES[shape] };
  if (!count) return { [place]: [band] };
  return Object.fromEntries(Object.entries(band).map(([key, value]) => [`${place}[${count}].${key}`, value]));
}

/** What adds a compressor, as values by place. */
export const withCompressor = (track) => Object.fromEntries(
  Object.entries(COMPRESSOR).map(([key, value]) => [`tracks[${track.index}].compress.${key}`, value]));
