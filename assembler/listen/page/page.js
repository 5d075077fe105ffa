// The list of decisions: shows one revision of the manifest, and sends edits of it.

import { decisions, signature } from "./entries.js";
import { play, playing, setVolume, stop } from "./player.js";
import { draw, peaksOf, readWav } from "./waveform.js";

const $ = (id) => document.getElementById(id);
const make = (tag, properties = {}, ...content) => {
  const found = Object.assign(document.createElement(tag), properties);
  found.append(...content);
  return found;
};
const FRAME_S = 1 / 75;
let release = null, shown = new Map(), sending = false;

const frames = (n) => `${Math.floor(n / 4500)}:${String(Math.floor(n / 75) % 60).padStart(2, "0")}`;

// ---- the server ----

let queue = Promise.resolve();

// One after another: each edit is made on the revision that the one before it returned.
function post(path, body) {
  queue = queue.then(() => send(path, body));
  return queue;
}

async function send(path, body) {
  sending = true;
  try {
    const answer = await fetch(path, {
      method: "POST", headers: { "content-type": "application/json" },
      body: JSON.stringify({ revision: release.revision, ...body }),
    });
    const found = await answer.json();
    if (answer.ok) show(found);
    return { status: answer.status, findings: found.findings, ok: answer.ok };
  } catch {
    announce("The program does not answer: start `assembler listen` again. Nothing was changed.");
    return { status: 0, ok: false, findings: [] };
  } finally {
    sending = false;
  }
}

async function refresh() {
  try {
    const answer = await fetch("release.json");
    if (answer.ok && !sending) show(await answer.json());
  } catch {
    announce("The program does not answer: start `assembler listen` again.");
  }
}

function announce(text) {
  $("message").textContent = text;
  $("message").hidden = !text;
}

// ---- the page ----

function show(found) {
  release = found;
  $("artist").textContent = found.artist;
  $("title").textContent = found.title;
  document.title = `${found.title}: listening page`;
  $("undo").disabled = !found.can_undo;
  $("redo").disabled = !found.can_redo;
  $("time").textContent = found.discs.map((disc) => {
    const left = disc.limit_frames - disc.frames, name = found.discs.length > 1 ? `Disc ${disc.number}` : "The disc";
    return `${name}: ${frames(disc.frames)} of ${frames(disc.limit_frames)}, ${left < 0 ? `${frames(-left)} too long` : `${frames(left)} left`}.`;
  }).join(" ");
  showOrder(found.tracks);
  showDecisions(found);
  showFindings($("findings"), found.findings.filter((one) => !trackOf(one)));
  showState();
  if (!found.readable) announce("The manifest can’t be read as it is now: the findings say why. The page shows its last state.");
  else if ($("message").textContent.startsWith("The manifest can’t")) announce("");
}

function showState() {
  const open = [...shown.values()].filter((one) => !one.decided.checked).length;
  const settled = release.tracks.filter((track) => track.settled).length;
  const parts = [`${open} of ${shown.size} decisions open`, release.ok ? "ready to build" : "has errors"];
  if (release.ok && settled < release.tracks.length) parts.push(`finishing tracks: ${settled} of ${release.tracks.length}`);
  const text = `${parts.join(" · ")}.`;
  if ($("state").textContent !== text) $("state").textContent = text;
}

const trackOf = (finding) => /^tracks\[\d+\]/.test(finding.where);

function showFindings(list, findings) {
  list.replaceChildren(...findings.map((one) => make("li", { className: one.severity }, `${one.severity}: ${one.message}`)));
}

function showOrder(tracks) {
  const focused = document.activeElement && document.activeElement.dataset.move;
  $("order").replaceChildren(...tracks.map((track, i) => {
    const mover = (name, to) => {
      const button = make("button", { type: "button", textContent: name, disabled: to < 0 || to >= tracks.length });
      button.setAttribute("aria-label", `${name}: ${track.title}`);
      button.dataset.move = `${track.title} ${name}`;
      button.addEventListener("click", async () => {
        const { ok, findings } = await post("edits", { move: { from: track.index, to } });
        announce(ok ? "" : findings.map((one) => one.message).join(" "));
      });
      return button;
    };
    const time = track.frames === undefined ? "" : `${frames(track.start_frame)} · ${frames(track.frames)}`;
    return make("li", { className: "row" },
      make("span", { className: "number" }, `${track.disc_number > 1 ? `${track.disc_number}.` : ""}${track.number}`),
      make("span", { className: "name" }, track.title), make("span", { className: "times" }, [time, track.only_on].filter(Boolean).join(" · ")),
      mover("Earlier", i - 1), mover("Later", i + 1));
  }));
  if (focused) {
    const buttons = [...$("order").querySelectorAll("button")];
    const at = buttons.findIndex((one) => one.dataset.move === focused);
    if (at >= 0) (buttons[at].disabled ? buttons[at ^ 1] : buttons[at]).focus();
  }
}

function showDecisions(found) {
  const entries = decisions(found.tracks), kept = new Map();
  for (const entry of entries) kept.set(entry.key, shown.get(entry.key) || new Entry(entry.key));
  shown = kept;
  const items = entries.map((entry) => {
    const one = shown.get(entry.key);
    one.update(entry, found);
    return one.item;
  });
  const list = $("decisions");
  if (items.length !== list.children.length || items.some((item, i) => list.children[i] !== item)) list.replaceChildren(...items);
}

class Entry {
  constructor(key) {
    this.key = key;
    this.fields = new Map();
    this.peaks = null;
    this.loaded = null;
    this.dragging = null;
    this.visible = false;
    this.head = make("h3");
    this.decided = make("input", { type: "checkbox" });
    this.label = make("span", {}, "Decided");
    this.canvas = make("canvas", { tabIndex: 0 });
    this.canvas.setAttribute("role", "img");
    this.row = make("div", { className: "fields" });
    this.plays = make("div", { className: "fields" });
    this.says = make("p", { className: "says" });
    this.refused = make("p", { className: "refused", hidden: true });
    this.refused.setAttribute("role", "alert");
    this.findings = make("ul", { className: "findings" });
    this.body = make("div", { className: "body" }, this.canvas, this.row, this.plays, this.refused, this.says, this.findings);
    this.item = make("li", { className: "entry" },
      make("div", { className: "head" }, this.head, make("label", { className: "tick" }, this.decided, this.label)), this.body);
    this.item.dataset.key = key;
    this.decided.addEventListener("change", () => this.decide());
    this.canvas.addEventListener("pointerdown", (event) => this.grab(event));
    this.canvas.addEventListener("pointermove", (event) => this.drag(event));
    this.canvas.addEventListener("pointerup", () => this.drop());
    this.canvas.addEventListener("pointercancel", () => { this.dragging = null; this.redraw(); });
    this.canvas.addEventListener("keydown", (event) => this.nudge(event, this.entry.picture.dragged));
    seen.observe(this.item);
  }

  update(entry, found) {
    this.entry = entry;
    this.head.textContent = entry.head;
    this.canvas.setAttribute("aria-label", `Waveform: ${entry.short}${entry.picture.dragged ? `. Arrow keys move the ${entry.picture.dragged}` : ""}`);
    this.says.textContent = entry.says;
    for (const one of entry.fields) this.field(one);
    this.showPlays();
    const own = found.findings.filter((one) => entry.tracks.some((i) => one.where.startsWith(`tracks[${i}]`)));
    const names = entry.fields.map((one) => one.name);
    showFindings(this.findings, own.filter((one) => names.some((name) => one.where.endsWith(`.${name}`)) || entry.key.startsWith("level") && !/\.(gap|overlap|start|end|fade_in|fade_out)$/.test(one.where)));
    this.decided.checked = (found.decided || []).includes(signature(entry));
    this.fold();
    this.load();
  }

  field(one) {
    let input = this.fields.get(one.name);
    if (!input) {
      input = make("input", { type: "text", inputMode: "decimal", autocomplete: "off", spellcheck: false });
      input.addEventListener("change", () => this.send(one.name, input.value));
      input.addEventListener("keydown", (event) => this.nudge(event, one.name));
      const text = make("span");
      this.row.append(make("label", { className: "field" }, text, input));
      input.label = text;
      this.fields.set(one.name, input);
    }
    input.label.textContent = `${one.label} (${one.unit})`;
    input.dataset.place = one.place;
    input.placeholder = one.fallback === undefined ? "" : String(Number(Number(one.fallback).toFixed(3)));
    const value = one.value === null ? "" : String(one.value);
    if (input.dataset.value !== value && (document.activeElement !== input || input.value === input.dataset.value)) input.value = value;
    input.dataset.value = value;
  }

  showPlays() {
    this.entry.plays.forEach((one, i) => {
      let button = this.plays.children[i];
      if (!button) {
        button = make("button", { type: "button" });
        button.addEventListener("click", () => this.play(i));
        this.plays.append(button);
      }
      button.name = one.name;
      if (button.getAttribute("aria-pressed") !== "true") button.textContent = one.name;
    });
    while (this.plays.children.length > this.entry.plays.length) this.plays.lastChild.remove();
  }

  async play(i) {
    const one = this.entry.plays[i], button = this.plays.children[i], key = `${this.key} ${i}`;
    const now = playing();
    stop();
    if (now && now.key === key) return;
    button.setAttribute("aria-pressed", "true");
    button.textContent = "Stop";
    const done = () => {
      button.setAttribute("aria-pressed", "false");
      button.textContent = button.name;
      this.redraw();
    };
    try {
      const answer = await fetch(one.url);
      if (!answer.ok) throw new Error((await answer.json()).findings[0].message);
      await play(key, await answer.arrayBuffer(), one.gain || 0, done);
      if (one.drawn) this.follow(key);
    } catch (error) {
      done();
      this.refuse(error.message);
    }
  }

  follow(key) {
    const now = playing();
    if (!now || now.key !== key) return this.redraw();
    this.redraw(now.position / now.duration);
    requestAnimationFrame(() => this.follow(key));
    return undefined;
  }

  async load() {
    const { url } = this.entry.picture, stamp = `${url} ${this.entry.stamp}`;
    if (!this.visible || this.decided.checked || this.loaded === stamp) return this.redraw();
    this.loaded = stamp;
    try {
      const answer = await fetch(url);
      if (!answer.ok) throw new Error();
      const peaks = peaksOf(readWav(await answer.arrayBuffer()), 600, this.entry.picture.gain || 0);
      if (this.loaded === stamp) this.peaks = peaks;
    } catch {
      if (this.loaded === stamp) this.loaded = null;
    }
    return this.redraw();
  }

  redraw(played = null) {
    if (!this.visible || this.decided.checked) return;
    const { from, to, marks, shades } = this.entry.picture, moved = this.dragging ? this.dragging.by : 0;
    const share = (s) => (s - from) / (to - from);
    draw(this.canvas, this.peaks,
      marks.map((one) => ({ ...one, at: share(one.at + (one.main ? moved : 0)) })),
      shades.map((one) => ({ from: share(one.from), to: share(one.to) })), played);
  }

  value(name) {
    const one = this.entry.fields.find((each) => each.name === name), typed = this.fields.get(name).value.trim();
    return typed === "" ? Number(one.fallback || 0) : Number(typed.replace("−", "-").replace(",", "."));
  }

  grab(event) {
    if (!this.entry.picture.dragged || event.button !== 0) return;
    this.canvas.setPointerCapture(event.pointerId);
    this.dragging = { from: event.clientX, by: 0, revision: release.revision };
  }

  drag(event) {
    if (!this.dragging) return;
    const { from, to } = this.entry.picture;
    this.dragging.by = (event.clientX - this.dragging.from) / this.canvas.clientWidth * (to - from);
    this.redraw();
  }

  drop() {
    if (!this.dragging) return;
    const { by, revision } = this.dragging, name = this.entry.picture.dragged;
    this.dragging = null;
    this.redraw();
    if (Math.abs(by) < 0.002) return;
    if (revision !== release.revision) return this.refuse("The manifest was changed elsewhere while you dragged: make the change again.");
    this.send(name, String(Math.max(0, this.value(name) + by).toFixed(3)));
  }

  nudge(event, name) {
    const back = event.key === "ArrowDown" || event.key === "ArrowLeft", on = event.key === "ArrowUp" || event.key === "ArrowRight";
    const inField = event.target instanceof HTMLInputElement;
    if (!name || !(back || on) || (inField && /Left|Right/.test(event.key)) || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    const chosen = $("step").value, one = this.entry.fields.find((each) => each.name === name);
    const step = name === "trim" ? 0.1 : chosen === "frame" ? FRAME_S : chosen === "sample" ? 1 / one.rate : Number(chosen);
    const value = this.value(name) + (on ? step : -step);
    this.send(name, String(Number((name === "trim" ? value : Math.max(0, value)).toFixed(6))));
  }

  async send(name, typed) {
    const input = this.fields.get(name), text = typed.trim().replace("−", "-").replace(",", ".");
    const value = text === "" ? null : /^-?\d+(\.\d+)?$/.test(text) ? Number(text) : text;
    input.value = text;
    this.refuse("");
    const set = { [input.dataset.place]: value };
    if (name === "overlap" && value) set[input.dataset.place.replace("overlap", "gap")] = null;
    const { ok, status, findings } = await post("edits", { set });
    if (ok) return;
    this.refuse(findings.map((one) => one.message).join(" "));
    if (status === 409) refresh();
    else input.value = input.dataset.value;
  }

  refuse(text) {
    this.refused.textContent = text;
    this.refused.hidden = !text;
  }

  fold() {
    this.item.classList.toggle("decided", this.decided.checked);
    this.label.textContent = this.decided.checked ? `Decided: ${this.entry.short}` : "Decided";
  }

  decide() {
    this.fold();
    this.load();
    showState();
    const signatures = [...shown.values()].filter((one) => one.decided.checked).map((one) => signature(one.entry));
    post("decided", { decided: signatures });
  }
}

const seen = new IntersectionObserver((changes) => {
  for (const { target, isIntersecting } of changes) {
    const one = shown.get(target.dataset.key);
    if (!one) continue;
    one.visible = isIntersecting;
    if (isIntersecting && one.entry) one.load();
  }
}, { rootMargin: "600px" });

$("undo").addEventListener("click", () => post("undo", {}).then(answer));
$("redo").addEventListener("click", () => post("redo", {}).then(answer));
function answer({ ok, findings }) {
  announce(ok ? "" : findings.map((one) => one.message).join(" "));
}
$("volume").addEventListener("input", (event) => setVolume(Number(event.target.value)));
$("open-only").addEventListener("change", (event) => $("decisions").classList.toggle("open-only", event.target.checked));
document.addEventListener("keydown", (event) => {
  if (event.key !== " " || event.target.matches("button, select, [type=checkbox], [type=range], a")) return;
  const item = event.target.closest(".entry");
  if (!item && !playing()) return;
  event.preventDefault();
  if (playing()) stop();
  else shown.get(item.dataset.key).play(0);
});
window.addEventListener("resize", () => { for (const one of shown.values()) one.redraw(); });

await refresh();
new EventSource("changes").addEventListener("message", refresh);
