// A tape side: where its tracks begin and end, their titles, the noise print.

import { button, clock, desk, make, playWith, post, refresh, seconds, showFindings, stepSeconds } from "./desk.js";
import { Restoring } from "./restoring.js";
import { Strip } from "./strip.js";

const AROUND_S = 4, MOST_CUT_OFF_S = 30, NEAR_S = 0.5;

// What is typed stays until it is sent; then the next answer replaces it.
const input = (label, properties, change) => {
  const found = make("input", { type: "text", autocomplete: "off", spellcheck: false, ...properties });
  if (label) found.setAttribute("aria-label", label);
  found.addEventListener("change", () => {
    found.dataset.value = found.value;
    change();
  });
  return found;
};
const labelled = (label, field) => make("label", { className: "field" }, make("span", {}, label), field);

export class Side {
  constructor(side) {
    this.side = side;
    this.rows = [];
    this.chosenKey = "";
    this.strip = new Strip(side, {
      move: (mark, at, revision) => this.move(mark, at, revision),
      choose: (mark) => this.choose(mark.key),
      mark: (stretch) => this.take(stretch),
      revision: () => desk.release.revision,
    });
    this.strip.canvas.addEventListener("keydown", (event) => this.key(event));
    this.head = make("h3");
    this.decided = make("input", { type: "checkbox" });
    this.label = make("span", {}, "Decided");
    this.decided.addEventListener("change", () => {
      this.fold();
      this.item.dispatchEvent(new Event("decide", { bubbles: true }));
    });
    this.says = make("p", { className: "says" });
    this.shown = make("p", { className: "says" });
    this.refused = make("p", { className: "refused", hidden: true });
    this.refused.setAttribute("role", "alert");
    this.findings = make("ul", { className: "findings" });
    this.cuts = make("ol", { className: "entries cuts" });
    this.restoring = new Restoring(this);
    this.body = make("div", { className: "body" }, this.says, this.strip.canvas, this.looking(), this.markPart(), this.stretchPart(),
      this.refused, this.findings, this.cuts, this.songsPart(), this.restoring.part);
    this.item = make("li", { className: "entry side" },
      make("div", { className: "head" }, this.head, make("label", { className: "tick" }, this.decided, this.label)), this.body);
    this.item.dataset.side = side.name;
  }

  // ---- parts ----

  looking() {
    return make("div", { className: "fields" },
      button("Closer", () => this.look(() => this.strip.zoom(0.5))), button("Farther", () => this.look(() => this.strip.zoom(2))),
      button("Earlier", () => this.look(() => this.strip.scroll(-0.8))), button("Later", () => this.look(() => this.strip.scroll(0.8))),
      button("Whole side", () => this.look(() => this.strip.show(0, this.side.length_s))), this.shown);
  }

  look(change) {
    change();
    this.sayShown();
  }

  markPart() {
    this.markSays = make("p", { className: "mark" });
    this.stage = make("select", {}, ...[["restored", "restored"], ["source", "the transfer"], ["removed", "what is removed"]]
      .map(([value, text]) => make("option", { value }, text)));
    const plays = [
      ["4 s before", () => this.playMark(-AROUND_S, 0)], ["4 s after", () => this.playMark(0, AROUND_S)],
      ["Across it", () => this.playMark(-AROUND_S, AROUND_S)], ["What is cut off", () => this.playCutOff()],
    ].map(([name, act]) => button(name, act));
    this.markPlays = plays;
    return make("div", {}, this.markSays, make("div", { className: "fields" },
      button("Previous mark", () => this.step(-1)), button("Next mark", () => this.step(1)), ...plays, labelled("Hear", this.stage)));
  }

  stretchPart() {
    const take = () => this.take({ from: seconds(this.from.value), to: seconds(this.to.value) });
    this.from = input("", { inputMode: "decimal" }, take);
    this.to = input("", { inputMode: "decimal" }, take);
    this.stretchPlay = button("Play the stretch", () => this.playStretch());
    return make("div", { className: "fields" }, labelled("Stretch from", this.from), labelled("Stretch to", this.to), this.stretchPlay,
      button("Part the track where it begins", () => this.part()), button("Use it as the noise print", () => this.noisePrint()));
  }

  songsPart() {
    this.titles = make("textarea", { rows: 4, spellcheck: false });
    this.count = input("", { inputMode: "numeric" }, () => {});
    this.proposed = make("div");
    this.propose = button("Propose cuts", () => this.proposeCuts());
    this.summary = make("summary", {}, "Titles and proposed cuts");
    return make("details", { open: true }, this.summary,
      labelled("Titles, one per line, as in a mail", this.titles),
      make("div", { className: "fields" }, button("Name the tracks by this list", () => this.edit({ titles: { side: this.side.name, text: this.titles.value } })),
        labelled("Number of songs", this.count), this.propose), this.proposed);
  }

  // ---- what is shown ----

  update(side, found) {
    this.side = side;
    this.head.textContent = `Side ${side.name}: does each track begin and end at the right place?`;
    this.tracks = side.tracks.map((i) => found.tracks[i]).filter((track) => track.source);
    const state = !side.rate_hz ? "The side is being opened." : [
      `${clock(side.length_s, 1)} at ${side.rate_hz / 1000} kHz.`,
      side.waveform < 1 ? `Waveform: ${Math.round(side.waveform * 100)} % read.` : "",
      side.measured ? "" : "Being measured: until then what `auto` stands for is left out of the preview.", side.error,
    ].filter(Boolean).join(" ");
    if (this.says.textContent !== state) this.says.textContent = state;
    this.showMarks();
    this.showRows();
    this.showProposal();
    this.restoring.update(side);
    const own = side.tracks.map((i) => `tracks[${i}]`);
    showFindings(this.findings, found.findings.filter((one) => own.some((place) => [`${place}.start`, `${place}.end`].includes(one.where)) || one.where.startsWith(`transfers.${side.name}`)));
    this.strip.canvas.setAttribute("aria-label", `Waveform and spectrum of side ${side.name}. Arrow keys move the chosen mark; plus and minus look closer and farther; Page Up and Page Down go earlier and later.`);
    if (side.rate_hz) {
      if (this.strip.view.to === 0 || !this.strip.side.rate_hz) this.strip.view = { from: 0, to: side.length_s };
      this.strip.update(side);
      this.sayShown();
    }
    this.signature = `side ${side.name} ${JSON.stringify(this.tracks.map((track) => [track.values.start, track.values.end]))}`;
    this.decided.checked = (found.decided || []).includes(this.signature);
    this.fold();
  }

  fold() {
    this.item.classList.toggle("decided", this.decided.checked);
    this.label.textContent = this.decided.checked ? `Decided: ${this.tracks.length} tracks` : "Decided";
  }

  showMarks() {
    const marks = this.tracks.flatMap((track) => ["start", "end"].map((which) => ({
      key: `${track.index} ${which}`, index: track.index, which, name: String(track.number), title: track.title,
      at: track.source[`${which}_s`],
    })));
    const songs = this.side.proposal ? this.side.proposal.songs : [];
    this.cutsFound = songs.flatMap((song) => [{ ...song.start, which: "start" }, { ...song.end, which: "end" }]);
    for (const mark of marks) mark.cut = this.cutsFound.find((one) => one.which === mark.which && Math.abs(one.at_s - mark.at) <= NEAR_S);
    if (!marks.some((one) => one.key === this.chosenKey)) this.chosenKey = marks.length ? marks[0].key : "";
    for (const mark of marks) mark.chosen = mark.key === this.chosenKey;
    this.marks = marks;
    const open = this.cutsFound.filter((cut) => !marks.some((one) => one.cut === cut));
    this.strip.marks = [...marks, ...open.map((cut) => ({ proposed: true, at: cut.at_s, which: cut.which, key: "", name: "" }))];
    this.sayMark();
  }

  get chosen() {
    return this.marks.find((one) => one.chosen);
  }

  choose(key) {
    this.chosenKey = key;
    for (const mark of this.marks) mark.chosen = mark.key === key;
    this.sayMark();
    this.strip.redraw();
  }

  sayMark() {
    const { chosen } = this;
    this.markSays.textContent = chosen
      ? `${chosen.which === "start" ? "Start" : "End"} of ${chosen.name}, “${chosen.title}”: ${clock(chosen.at)}. ${chosen.cut ? `Proposed with ${chosen.cut.level} confidence (${chosen.cut.confidence.toFixed(2)}): ${chosen.cut.why}.` : "Not where a cut is proposed."}`
      : "No track is on this side.";
    for (const one of this.markPlays) one.disabled = !chosen;
  }

  sayShown() {
    const { from, to } = this.strip.view;
    this.shown.textContent = `Shown: ${clock(from, 2)} to ${clock(to, 2)}. Shaded: in no track.`;
  }

  showRows() {
    while (this.rows.length > this.tracks.length) this.rows.pop().item.remove();
    while (this.rows.length < this.tracks.length) {
      this.rows.push(this.row(this.rows.length));
      this.cuts.append(this.rows[this.rows.length - 1].item);
    }
    this.tracks.forEach((track, i) => {
      const row = this.rows[i];
      row.number.textContent = track.number;
      const values = { title: track.base_title, start: clock(track.source.start_s, 6), end: clock(track.source.end_s, 6) };
      for (const [name, value] of Object.entries(values)) {
        const field = row[name];
        if (document.activeElement !== field || field.value === field.dataset.value) field.value = value;
        field.dataset.value = value;
      }
      const marks = this.marks.filter((one) => one.index === track.index);
      row.says.textContent = marks.map((one) => (one.cut ? one.cut.level : "–")).join(" / ");
      row.join.disabled = i + 1 === this.tracks.length;
    });
  }

  row(i) {
    const track = () => this.tracks[i], set = (name, value) => this.edit({ set: { [`tracks[${track().index}].${name}`]: value } });
    const time = (which) => {
      const field = input(`${which === "start" ? "Start" : "End"} of track ${i + 1} on side ${this.side.name}`, { inputMode: "decimal" }, () => {
        const at = seconds(field.value);
        this.move(this.marks.find((one) => one.key === `${track().index} ${which}`), Number.isNaN(at) ? field.value : at);
      });
      field.addEventListener("focus", () => {
        this.choose(`${track().index} ${which}`);
        this.strip.reveal(this.chosen.at);
        this.sayShown();
      });
      field.addEventListener("keydown", (event) => { if (/ArrowUp|ArrowDown/.test(event.key)) this.key(event); });
      return field;
    };
    const found = {
      number: make("span", { className: "number" }),
      title: input(`Title of track ${i + 1} on side ${this.side.name}`, { className: "title" }, () => set("title", found.title.value)),
      start: time("start"), end: time("end"),
      says: make("span", { className: "times" }),
      join: button("Join with next", () => this.edit({ join: track().index })),
    };
    found.item = make("li", { className: "row" }, found.number, found.title, found.start, "to", found.end, found.says, found.join);
    return found;
  }

  showProposal() {
    const { proposal } = this.side;
    const stamp = JSON.stringify(proposal);
    if (stamp === this.proposalShown) return;
    this.proposalShown = stamp;
    this.proposed.replaceChildren();
    if (!proposal) return;
    this.summary.textContent = `Titles and proposed cuts: ${proposal.songs.length} songs found`;
    const cut = (one) => `${clock(one.at_s)} (${one.level}${one.level === "high" ? "" : `: ${one.why}`})`;
    this.proposed.append(
      ...proposal.remarks.map((text) => make("p", { className: "says" }, text)),
      make("ol", { className: "found" }, ...proposal.songs.map((song) => make("li", {}, `${cut(song.start)} to ${cut(song.end)}`))),
      button(`Make these ${proposal.songs.length} songs the tracks of this side`, () => this.edit({ cuts: {
        side: this.side.name, songs: proposal.songs.map((song) => [song.start.at_s, song.end.at_s]), titles: this.titles.value,
      } })));
  }

  // ---- edits ----

  async edit(body, revision) {
    this.refuse("");
    if (revision && revision !== desk.release.revision) {
      this.refuse("The manifest was changed elsewhere while you dragged: make the change again.");
      this.showMarks();
      return false;
    }
    const { ok, status, findings } = await post("edits", body);
    if (!ok) {
      this.refuse(findings.map((one) => one.message).join(" "));
      if (status === 409) refresh();
      this.showRows();
      for (const row of this.rows) for (const name of ["title", "start", "end"]) row[name].value = row[name].dataset.value;
    }
    return ok;
  }

  move(mark, at, revision) {
    const known = typeof at === "number";
    if (known) mark.at = Math.min(Math.max(0, at), this.side.length_s);
    this.edit({ set: { [`tracks[${mark.index}].${mark.which}`]: known ? clock(mark.at, 6) : at } }, revision);
  }

  take(stretch) {
    if (!stretch || Number.isNaN(stretch.from) || Number.isNaN(stretch.to)) return;
    this.strip.stretch = stretch;
    this.from.value = clock(stretch.from);
    this.to.value = clock(stretch.to);
    this.strip.redraw();
  }

  part() {
    const { stretch } = this.strip;
    if (!stretch) return this.refuse("Mark a stretch first: the track is parted where it begins.");
    const track = this.tracks.find((one) => one.source.start_s < stretch.from && stretch.from < one.source.end_s);
    if (!track) return this.refuse("The stretch begins in no track: choose another place.");
    return this.edit({ part: { track: track.index, at: Number(stretch.from.toFixed(6)) } });
  }

  noisePrint() {
    const { stretch } = this.strip;
    if (!stretch) return this.refuse("Mark a stretch with noise alone first.");
    return this.edit({ side: this.side.name, set: { "restoration.noise.from": clock(stretch.from), "restoration.noise.to": clock(stretch.to) } });
  }

  async proposeCuts() {
    const name = this.propose.textContent, count = Number(this.count.value) || null;
    this.propose.disabled = true;
    this.propose.textContent = "Finding songs …";
    this.refuse("");
    try {
      const answer = await fetch(`propose/side/${this.side.number}`, {
        method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify({ count, titles: this.titles.value }),
      });
      if (answer.ok) await refresh();
      else this.refuse((await answer.json()).findings.map((one) => one.message).join(" "));
    } catch {
      this.refuse("The program does not answer: start `assembler listen` again.");
    }
    this.propose.disabled = false;
    this.propose.textContent = name;
  }

  refuse(text) {
    this.refused.textContent = text;
    this.refused.hidden = !text;
  }

  // ---- keys and sound ----

  key(event) {
    const back = /ArrowDown|ArrowLeft/.test(event.key), on = /ArrowUp|ArrowRight/.test(event.key), { chosen } = this;
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const looks = { "+": () => this.strip.zoom(0.5), "-": () => this.strip.zoom(2), PageUp: () => this.strip.scroll(-0.8), PageDown: () => this.strip.scroll(0.8) };
    if (looks[event.key] && event.target === this.strip.canvas) this.look(looks[event.key]);
    else if ((back || on) && chosen) this.nudge(chosen, (on ? 1 : -1) * stepSeconds(this.side.rate_hz));
    else return;
    event.preventDefault();
  }

  // Keys that follow each other sooner than the answer are added up.
  nudge(mark, by) {
    this.move(mark, mark.at + by);
    this.sayMark();
    this.strip.reveal(mark.at);
  }

  step(by) {
    const at = this.marks.findIndex((one) => one.chosen), next = this.marks[at + by];
    if (!next) return;
    this.choose(next.key);
    this.strip.reveal(next.at);
    this.sayShown();
  }

  address(from, to, more = "") {
    return `audio/side/${this.side.number}?stage=${this.stage.value}&from=${Math.max(0, from)}&to=${Math.min(to, this.side.length_s)}${more}`;
  }

  hear(pressed, from, to, address) {
    const start = Math.max(0, from), follow = (share) => {
      this.strip.played = share === null ? null : start + share * (to - start);
      this.strip.redraw();
    };
    return playWith(pressed, address || this.address(from, to), 0, follow, (text) => this.refuse(text));
  }

  playMark(from, to) {
    const at = this.chosen.at, pressed = this.markPlays[to === 0 ? 0 : from === 0 ? 1 : 2];
    return this.hear(pressed, at + from, at + to);
  }

  playCutOff() {
    const { chosen } = this, at = this.marks.indexOf(chosen), begins = chosen.which === "start";
    const other = this.marks[begins ? at - 1 : at + 1];
    const from = begins ? Math.max(other ? other.at : 0, chosen.at - MOST_CUT_OFF_S) : chosen.at;
    const to = begins ? chosen.at : Math.min(other ? other.at : this.side.length_s, chosen.at + MOST_CUT_OFF_S);
    if (to - from < 0.001) return this.refuse("Nothing is cut off here: the next track begins where this one ends.");
    return this.hear(this.markPlays[3], from, to);
  }

  playStretch() {
    const { stretch } = this.strip;
    if (!stretch) return this.refuse("Mark a stretch first: drag over the strip, or type its times.");
    return this.hear(this.stretchPlay, stretch.from, stretch.to);
  }

  /** Space on the strip: what is around the chosen mark. */
  play() {
    if (this.chosen) this.playMark(-AROUND_S, AROUND_S);
  }

  redraw() {
    this.strip.redraw();
  }
}
