// One decision: its question, a picture of its stretch, its numbers, and what is played for it.

import { desk, make, playWith, post, refresh, showFindings } from "./desk.js";
import { signature } from "./entries.js";
import { Fields } from "./fields.js";
import { draw, peaksOf, readWav } from "./waveform.js";

const byItem = new WeakMap();
const QUIET_MS = 250;

/** Wait until edits pause; false where the picture is of no use any more by then. */
export async function quiet(isWanted) {
  await new Promise((done) => { setTimeout(done, QUIET_MS); });
  return isWanted();
}

export class Entry {
  constructor(key) {
    this.key = key;
    this.fields = new Fields((set, undone) => this.edit(set, undone));
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
    this.canvas.addEventListener("keydown", (event) => this.fields.nudge(event, this.entry.picture.dragged));
    byItem.set(this.item, this);
    seen.observe(this.item);
  }

  /** Show a revision's entry; what has not changed since the last one is left alone. */
  update(entry, found) {
    const own = found.findings.filter((one) => entry.tracks.some((i) => one.where.startsWith(`tracks[${i}]`)));
    const stamp = JSON.stringify([entry, own, (found.decided || []).includes(signature(entry))]);
    this.entry = entry;
    if (stamp !== this.shown) this.change(entry, own, found);
    this.shown = stamp;
    this.load();
  }

  change(entry, own, found) {
    this.head.textContent = entry.head;
    this.canvas.setAttribute("aria-label", `Waveform: ${entry.short}${entry.picture.dragged ? `. Arrow keys move the ${entry.picture.dragged}` : ""}`);
    this.says.textContent = entry.says;
    this.fields.show(entry.fields, (label, one) => this.place(label, one));
    this.showPlays();
    const names = entry.fields.map((one) => one.name);
    showFindings(this.findings, own.filter((one) => names.some((name) => one.where.endsWith(`.${name}`)) || entry.key.startsWith("level") && !/\.(gap|overlap|start|end|fade_in|fade_out)$/.test(one.where)));
    this.decided.checked = (found.decided || []).includes(signature(entry));
    this.fold();
  }

  /** Put a field in its row. */
  place(label) {
    this.row.append(label);
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

  play(i) {
    const one = this.entry.plays[i];
    const follow = (share) => this.redraw(one.drawn ? share : null);
    playWith(this.plays.children[i], one.url, one.gain, follow, (text) => this.refuse(text));
  }

  async load() {
    const { url } = this.entry.picture, stamp = `${url} ${this.entry.stamp}`;
    if (!this.shows || this.loaded === stamp) return this.redraw();
    this.loaded = stamp;
    if (this.peaks && !(await quiet(() => this.loaded === stamp))) return undefined;
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

  /** Whether its pictures can be seen, or soon. */
  get shows() {
    return this.visible && !this.decided.checked;
  }

  redraw(played = null) {
    if (!this.shows) return;
    const { from, to, marks, shades } = this.entry.picture, moved = this.dragging ? this.dragging.by : 0;
    const share = (s) => (s - from) / (to - from);
    draw(this.canvas, this.peaks,
      marks.map((one) => ({ ...one, at: share(one.at + (one.main ? moved : 0)) })),
      shades.map((one) => ({ from: share(one.from), to: share(one.to) })), played);
  }

  grab(event) {
    if (!this.entry.picture.dragged || event.button !== 0) return;
    this.canvas.setPointerCapture(event.pointerId);
    this.dragging = { from: event.clientX, by: 0, revision: desk.release.revision };
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
    if (revision !== desk.release.revision) return this.refuse("The manifest was changed elsewhere while you dragged: make the change again.");
    this.fields.send(name, String(Math.max(0, this.fields.value(name) + by * (this.entry.picture.scale || 1)).toFixed(3)));
  }

  /** Set values by place; true where they were written. What is refused is undone, unless both sides changed. */
  async edit(set, undone = () => {}) {
    this.refuse("");
    const { ok, status, findings } = await post("edits", { set });
    if (ok) return true;
    this.refuse(findings.map((one) => one.message).join(" "));
    if (status === 409) refresh();
    else undone();
    return false;
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
    this.item.dispatchEvent(new Event("decide", { bubbles: true }));
  }
}

const seen = new IntersectionObserver((changes) => {
  for (const { target, isIntersecting } of changes) {
    const one = byItem.get(target);
    one.visible = isIntersecting;
    if (isIntersecting && one.entry) one.load();
  }
}, { rootMargin: "600px" });

