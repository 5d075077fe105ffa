// The list of decisions: shows one revision of the manifest.

import { $, announce, desk, make, post, refresh, showFindings } from "./desk.js";
import { decisions, signature } from "./entries.js";
import { Entry } from "./entry.js";
import { LevelEntry } from "./level.js";
import { playing, setVolume, stop } from "./player.js";
import { Side } from "./sides.js";

let shown = new Map(), sides = new Map(), orderShown = "";

const frames = (n) => `${Math.floor(n / 4500)}:${String(Math.floor(n / 75) % 60).padStart(2, "0")}`;

desk.show = (found) => {
  desk.release = found;
  $("artist").textContent = found.artist;
  $("title").textContent = found.title;
  document.title = `${found.title}: listening page`;
  $("undo").disabled = !found.can_undo;
  $("redo").disabled = !found.can_redo;
  $("time").textContent = !found.makes_disc ? "No disc is made." : found.discs.map((disc) => {
    const left = disc.limit_frames - disc.frames, name = found.discs.length > 1 ? `Disc ${disc.number}` : "The disc";
    return `${name}: ${frames(disc.frames)} of ${frames(disc.limit_frames)}, ${left < 0 ? `${frames(-left)} too long` : `${frames(left)} left`}.`;
  }).join(" ");
  showOrder(found.tracks);
  showSides(found);
  showDecisions(found);
  showFindings($("findings"), found.findings.filter((one) => !isAtTrack(one, found.tracks)));
  showState();
  if (!found.readable) announce("The manifest can’t be read as it is now: the findings say why. The page shows and plays its last state.");
  else if ($("message").textContent.startsWith("The manifest can’t")) announce("");
};

function showState() {
  const all = [...sides.values(), ...shown.values()];
  const open = all.filter((one) => !one.decided.checked).length;
  const settled = desk.release.tracks.filter((track) => track.settled).length;
  const parts = [`${open} of ${all.length} decisions open`, desk.release.ok ? "ready to build" : "has errors"];
  if (desk.release.finishing && settled < desk.release.tracks.length) parts.push(`finishing tracks: ${settled} of ${desk.release.tracks.length}`);
  const text = `${parts.join(" · ")}.`;
  if ($("state").textContent !== text) $("state").textContent = text;
}

/** Whether a finding is shown at its track's decisions: a track without a source has none. */
function isAtTrack(finding, tracks) {
  const track = tracks[(/^tracks\[(\d+)\]/.exec(finding.where) || [])[1]];
  return Boolean(track && track.source);
}

function showOrder(tracks) {
  const stamp = JSON.stringify(tracks.map((one) => [one.title, one.number, one.disc_number, one.start_frame, one.frames, one.only_on]));
  if (stamp === orderShown) return;
  orderShown = stamp;
  const focused = document.activeElement && document.activeElement.dataset.move;
  $("order").replaceChildren(...tracks.map((track, i) => {
    const mover = (name, by) => {
      const button = make("button", { type: "button", textContent: name, disabled: !tracks[i + by] });
      button.setAttribute("aria-label", `${name}: ${track.title}`);
      button.dataset.move = `${track.title} ${name}`;
      button.addEventListener("click", async () => {
        const { ok, findings } = await post("edits", { move: { from: track.index, by } });
        announce(ok ? "" : findings.map((one) => one.message).join(" "));
      });
      return button;
    };
    const time = track.frames === undefined ? "" : `${frames(track.start_frame)} · ${frames(track.frames)}`;
    return make("li", { className: "row" },
      make("span", { className: "number" }, `${track.disc_number > 1 ? `${track.disc_number}.` : ""}${track.number}`),
      make("span", { className: "name" }, track.title), make("span", { className: "times" }, [time, track.only_on].filter(Boolean).join(" · ")),
      mover("Earlier", -1), mover("Later", 1));
  }));
  if (focused) {
    const buttons = [...$("order").querySelectorAll("button")];
    const at = buttons.findIndex((one) => one.dataset.move === focused);
    if (at >= 0) (buttons[at].disabled ? buttons[at ^ 1] : buttons[at]).focus();
  }
}

function showDecisions(found) {
  const entries = decisions(found), kept = new Map();
  for (const entry of entries) kept.set(entry.key, shown.get(entry.key) || (entry.curves ? new LevelEntry(entry.key) : new Entry(entry.key)));
  shown = kept;
  const items = entries.map((entry) => {
    const one = shown.get(entry.key);
    one.update(entry, found);
    return one.item;
  });
  const list = $("decisions");
  if (items.length !== list.children.length || items.some((item, i) => list.children[i] !== item)) list.replaceChildren(...items);
}

function showSides(found) {
  const kept = new Map(found.sides.map((one) => [one.name, sides.get(one.name) || new Side(one)]));
  const isNew = kept.size !== sides.size || [...kept.keys()].some((name) => !sides.has(name));
  sides = kept;
  for (const one of found.sides) sides.get(one.name).update(one, found);
  $("sides-part").hidden = !sides.size;
  if (isNew) $("sides").replaceChildren(...[...sides.values()].map((one) => one.item));
}

function keepDecided() {
  showState();
  const made = [...sides.values(), ...shown.values()].filter((one) => one.decided.checked);
  post("decided", { decided: made.map((one) => one.signature || signature(one.entry)) });
}

document.addEventListener("decide", keepDecided);
$("undo").addEventListener("click", () => post("undo", {}).then(answer));
$("redo").addEventListener("click", () => post("redo", {}).then(answer));
function answer({ ok, findings }) {
  announce(ok ? "" : findings.map((one) => one.message).join(" "));
}
$("volume").addEventListener("input", (event) => setVolume(Number(event.target.value)));
$("open-only").addEventListener("change", (event) => document.body.classList.toggle("open-only", event.target.checked));
document.addEventListener("keydown", (event) => {
  if (event.key !== " " || event.target.matches("button, select, textarea, summary, input:not([inputmode]), a")) return;
  const item = event.target.closest(".entry");
  if (!item && !playing()) return;
  event.preventDefault();
  if (playing()) stop();
  else (shown.get(item.dataset.key) || sides.get(item.dataset.side)).play(0);
});
const redraw = () => { for (const one of [...shown.values(), ...sides.values()]) one.redraw(); };
window.addEventListener("resize", redraw);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);

await refresh();
new EventSource("changes").addEventListener("message", refresh);
