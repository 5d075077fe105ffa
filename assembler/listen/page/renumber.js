// Edits that wait while one before them changes the list of tracks: they follow the track they were made on.

const TRACK = /^tracks\[(\d+)\]/, NUMBERED = /\.(tone_like|version_of)$/;
const source = (track) => JSON.stringify([track.source && track.source.names, track.values.start, track.values.end]);

/** What an edit that was done makes of a track's index: another index, or null where it is not known. */
export function renumbering(path, body, before, after) {
  if (body.move) {
    const { from, to } = body.move;
    return (i) => (i === from ? to : i - (i > from) + (i - (i > from) >= to));
  }
  if (body.join !== undefined) return (i) => (i === body.join + 1 ? null : i - (i > body.join));
  if (body.part) return (i) => i + (i > body.part.track);
  if (path === "edits" && !body.cuts) return null;
  const old = before.map(source), now = after.map(source);
  const isSame = old.length === now.length && now.every((one, i) => one === old[i] || !old.includes(one));
  return isSame ? null : () => null;
}

/** An edit with other indexes of its tracks; null where a track is not known any more. */
export function renumbered(body, index) {
  const lost = new Error("lost");
  const to = (i) => {
    const found = index(i);
    if (found === null) throw lost;
    return found;
  };
  const place = (text) => text.replace(TRACK, (_, i) => `tracks[${to(Number(i))}]`);
  const value = (key, found) => (NUMBERED.test(key) && found ? to(Number(found) - 1) + 1 : found);
  const changes = {
    set: (found) => Object.fromEntries(Object.entries(found).map(([key, one]) => [place(key), value(key, one)])),
    move: ({ from, by }) => ({ from: to(from), by }),
    join: to,
    part: ({ track, at }) => ({ track: to(track), at }),
  };
  try {
    return Object.fromEntries(Object.entries(body).map(([key, found]) => [key, changes[key] ? changes[key](found) : found]));
  } catch (error) {
    if (error !== lost) throw error;
    return null;
  }
}
