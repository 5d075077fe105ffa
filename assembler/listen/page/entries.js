// What each decision asks, which numbers belong to it, and what is played for it.

import { clock } from "./desk.js";
import { toneFields } from "./tone.js";

export const signed = (value, digits = 1) => `${value < 0 ? "−" : "+"}${Math.abs(value).toFixed(digits)}`;
const AROUND_S = 4, TAIL_S = 6;

const field = (track, name, label, unit, fallback) => ({
  place: `tracks[${track.index}].${name}`, name, label, unit, value: track.values[name], fallback,
  rate: track.source ? track.source.rate_hz : 44100,
});

const unmatched = ({ tone_match: found }) => found && found.before_db === null;

/** The join of a track and the one before it. */
export function join(before, track, release) {
  const gap = track.values.overlap ? 0 : track.gap_s, tail = TAIL_S + gap;
  return {
    key: `join-${before.index + 1}-${track.index + 1}`,
    tracks: [before.index, track.index],
    head: `Join ${before.number}–${track.number}: is the space between “${before.title}” and “${track.title}” right?`,
    short: track.values.overlap ? `crossfade ${track.values.overlap} s` : gap ? `gap ${gap.toFixed(2)} s` : "segue",
    fields: [
      field(track, "gap", `Gap before ${track.number}`, "s", track.default_gap),
      { ...field(track, "overlap", "Crossfade", "s", 0), also: (value) => (value ? { [`tracks[${track.index}].gap`]: null } : {}) },
      field(before, "fade_out", `Fade-out of ${before.number}`, "s", before.source ? before.source.fade_out_s : 0),
      field(track, "fade_in", `Fade-in of ${track.number}`, "s", track.source ? track.source.fade_in_s : 0),
    ],
    picture: {
      url: `audio/join/${before.index + 1}-${track.index + 1}?from=${-tail}&to=${TAIL_S}`,
      from: -tail, to: TAIL_S, dragged: "gap",
      marks: [
        ...(gap ? [{ at: -gap, name: `end of ${before.number}` }] : []),
        { at: 0, name: `start of ${track.number}`, main: true },
      ],
      shades: gap ? [{ from: -gap, to: 0 }] : [],
    },
    plays: [{ name: "Play the join", url: `audio/join/${before.index + 1}-${track.index + 1}?from=${-tail}&to=${TAIL_S}`, drawn: true }],
    says: track.join_settled ? `As ${release.makes_disc ? "the disc has" : "the files have"} it.` : `Preview with the gain known so far${[before, track].some(unmatched) ? " and without the tone match" : ""}; ${release.finishing ? "being finished" : "it can be finished once the errors are corrected"}.`,
    stamp: track.join_settled,
  };
}

/** Where a track begins or ends in its recording. */
export function cut(track, which) {
  const { source } = track, n = track.index + 1, length = (source.end_s - source.start_s) / source.factor;
  const begins = which === "start", at = begins ? 0 : length;
  const from = at - AROUND_S, to = at + AROUND_S;
  const audio = (a, b) => `audio/track/${n}?stage=${source.side ? "restored" : "source"}&from=${a}&to=${b}`;
  return {
    key: `${which}-${n}`,
    tracks: [track.index],
    head: `Track ${track.number}, “${track.title}”: does it ${begins ? "begin" : "end"} at the right place?`,
    short: `${begins ? "start" : "end"} ${clock(begins ? source.start_s : source.end_s, 2)}`,
    fields: [
      { ...field(track, which, begins ? "Start in the recording" : "End in the recording", "s", begins ? 0 : source.length_s),
        value: track.values[which] },
      begins
        ? field(track, "fade_in", "Fade-in", "s", source.fade_in_s)
        : field(track, "fade_out", "Fade-out", "s", source.fade_out_s),
    ],
    picture: {
      url: audio(from, to), from: from - at, to: to - at, dragged: which, scale: source.factor,
      gain: track.gain_db,
      marks: [{ at: 0, name: which, main: true }],
      shades: [begins ? { from: -AROUND_S, to: 0 } : { from: 0, to: AROUND_S }],
    },
    plays: [
      begins
        ? { name: "Play from the start", url: `audio/track/${n}?from=0&to=${AROUND_S}` }
        : { name: "Play up to the end", url: `audio/track/${n}?from=${Math.max(0, length - AROUND_S)}&to=${length}` },
      { name: "Play what is cut off", url: begins ? audio(-AROUND_S, 0) : audio(length, length + AROUND_S) },
      { name: "Play across it", url: audio(from, to), drawn: true },
    ],
    says: `In the recording: ${clock(source.start_s, 2)} to ${clock(source.end_s, 2)} of ${clock(source.length_s, 2)}. Shaded: cut off.`,
    stamp: track.gain_db,
  };
}

/** What a tone match does; empty where there is none. */
function toneMatch({ tone_match: found }) {
  if (!found) return "";
  const like = found.like.replace("album", "the album");
  if (found.before_db === null) return ` The tone match to ${like} is not measured yet: until then the preview is without it.`;
  const bells = found.bands.map(({ hz, db }) => `${signed(db)} dB at ${hz < 1000 ? `${Math.round(hz)} Hz` : `${(hz / 1000).toFixed(1)} kHz`}`).join(", ");
  return ` Tone matched to ${like}: ${bells || "no band is needed"}; spectral distance ${found.before_db.toFixed(1)} dB without, ${found.after_db.toFixed(1)} dB with it.`;
}

const TONE_LIKE = (track, tracks) => ({
  options: [["", "nothing"], ["album", "the album"], ...tracks
    .filter((one) => one !== track && (!one.tone_match || String(one.index + 1) === toneLike(track)))
    .map((one) => [String(one.index + 1), `${one.number}, ${one.title}`])],
  also: (value) => ({ [`tracks[${track.index}].tone_like`]: value === "album" ? null : value, [`tracks[${track.index}].tone`]: value === "album" ? value : null }),
});
const toneLike = (track) => track.tone.flatMap((group) => group.fields).find((one) => one.key === "tone_like").value;

/** The level of the whole release, heard where the limiter does most. */
export function levels(found) {
  const [first] = found.tracks, most = found.tracks.reduce((one, other) => ((other.max_gain_reduction_db || 0) > (one.max_gain_reduction_db || 0) ? other : one), first);
  const heard = stretch(most), parts = { release: "The release", disc: "The disc, where it differs", download: "Downloads, where they differ" };
  const fields = found.levels.flatMap((group) => toneFields([group], group.kind === "release" ? {} : { match: SAME_MATCH })
    .map((one) => ({ ...one, name: one.place, part: parts[group.kind] || `Download set ${group.kind}, where it differs` })));
  const { value: target } = found.levels[0].fields.find((one) => one.key === "target");
  return {
    key: "levels",
    tracks: [],
    head: "All tracks: are target, ceiling and limiter right?",
    short: `target ${signed(target)} LUFS`,
    fields,
    curves: { url: heard.curves },
    picture: { url: heard.audio, from: 0, to: 10, marks: [], shades: [] },
    plays: [{ name: `Play ${most.number}’s loudest 10 s`, url: heard.audio, drawn: true }],
    says: `Heard on track ${most.number}, “${most.title}”${most.max_gain_reduction_db ? `, where the limiter does most: max GR ${most.max_gain_reduction_db.toFixed(1)} dB` : ""}.`,
    stamp: JSON.stringify([most.settled, most.gain_db, fields.map((one) => one.value)]),
  };
}

const SAME_MATCH = { options: [["", "as for the release"], ["album", "the album: one gain"], ["track", "each track"], ["none", "no gain"]] };

/** Where the loudest 10 s of a track are. */
function stretch(track) {
  const n = track.index + 1, from = track.loudest_from_s, span = `from=${from}&to=${from + 10}`;
  return { audio: `audio/track/${n}?${span}`, curves: `picture/track/${n}/level?${span}` };
}

/** Whether a track's level is right among the others. */
export function level(track, previous, { tracks, finishing }) {
  const n = track.index + 1, from = track.loudest_from_s, to = from + 10, tone = toneFields(track.tone, { tone_like: TONE_LIKE(track, tracks) });
  const matched = track.integrated_lufs !== undefined && track.integrated_lufs !== null;
  const facts = matched
    ? `Gain ${signed(track.gain_db)} dB · ${signed(track.integrated_lufs)} LUFS · true peak ${track.true_peak_dbtp === null ? "silent" : signed(track.true_peak_dbtp)} dBTP · max GR ${track.max_gain_reduction_db.toFixed(1)} dB. Loudest 10 s: from ${clock(from, 2)}.`
    : `Gain not determined yet: ${finishing ? "the track is being matched" : "correct the errors first"}.`;
  const heard = stretch(track), plays = [{ name: "Play its loudest 10 s", url: heard.audio, drawn: true }];
  if (previous) plays.push({ name: `Play ${previous.number}’s loudest 10 s`, url: stretch(previous).audio });
  if (matched) {
    plays.push({ name: `Play the source, ${signed(track.gain_db)} dB`, url: `audio/track/${n}?stage=source&from=${from}&to=${to}`, gain: track.gain_db });
  }
  return {
    key: `level-${n}`,
    tracks: [track.index],
    head: `Track ${track.number}, “${track.title}”: is its level right?`,
    short: matched ? `${signed(track.integrated_lufs)} LUFS` : "not matched yet",
    fields: [{ ...field(track, "trim", "Trim", "dB", 0), step: 0.1, belowZero: true }, ...tone],
    tone: track.tone,
    curves: { url: heard.curves },
    picture: { url: heard.audio, from: 0, to: 10, marks: [], shades: [] },
    plays,
    says: facts + toneMatch(track),
    stamp: JSON.stringify([track.settled, track.gain_db, track.values.trim, track.tone_match, tone.map((one) => one.value)]),
  };
}

/** Every decision, in the manifest's order. */
export function decisions(release) {
  const { tracks } = release, found = tracks.some((one) => one.source) ? [levels(release)] : [];
  let onDisc;
  tracks.forEach((track, i) => {
    if (track.disc_number !== null && onDisc && onDisc.disc_number === track.disc_number) found.push(join(onDisc, track, release));
    if (track.source) found.push(cut(track, "start"), level(track, tracks[i - 1], release), cut(track, "end"));
    if (track.disc_number !== null) onDisc = track;
  });
  return found;
}

/** What a decision depends on: it is open again when this changes. */
export const signature = (entry) => `${entry.key} ${JSON.stringify(entry.fields.map((one) => [one.place.replace(/^.*\./, ""), one.value]))}`;
