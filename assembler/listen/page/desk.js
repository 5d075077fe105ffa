// What all parts of the page share: the current revision, and how it is edited.

import { begin, isOn, play, playing, stop } from "./player.js";
import { renumbered, renumbering } from "./renumber.js";

export const $ = (id) => document.getElementById(id);
export const make = (tag, properties = {}, ...content) => {
  const found = Object.assign(document.createElement(tag), properties);
  found.append(...content);
  return found;
};
export const FRAME_S = 1 / 75;
/** The revision that is shown; what shows it is set by page.js. */
export const desk = { release: null, show: () => {} };

let queue = Promise.resolve(), waiting = 0;
/** How the tracks were renumbered by edits that are done and not shown yet. */
let renumberings = [];

// One after another: each edit is made on the revision that the one before it returned. While more
// edits wait, the page keeps what was typed and nudged: the last answer is shown. What waits was made
// on the page as it is shown: it goes to the track that had its number there.
export function post(path, body) {
  waiting += 1;
  queue = queue.then(() => send(path, body));
  return queue;
}

async function send(path, asked) {
  try {
    const body = renumberings.reduce((found, index) => found && renumbered(found, index), asked);
    if (!body) return refused("The tracks were changed before this edit could be made: make it again.");
    if (body.move) {
      const { from, by } = body.move;
      body.move = { from, to: Math.min(Math.max(0, from + by), desk.release.tracks.length - 1) };
    }
    const answer = await fetch(path, {
      method: "POST", headers: { "content-type": "application/json" },
      body: JSON.stringify({ revision: desk.release.revision, ...body }),
    });
    const found = await answer.json();
    if (answer.ok) {
      const index = renumbering(path, body, desk.release.tracks, found.tracks);
      if (index) renumberings.push(index);
      desk.release = found;
    }
    return { status: answer.status, findings: found.findings, ok: answer.ok };
  } catch {
    announce("The program does not answer: start `assembler listen` again. Nothing was changed.");
    return refused();
  } finally {
    waiting -= 1;
    if (!waiting) show(desk.release);
  }
}

const refused = (...messages) => ({ status: 0, ok: false, findings: messages.map((message) => ({ message })) });

function show(found) {
  renumberings = [];
  desk.show(found);
}

let asked = false, asking = false;

/** Show what the program has now: one request at a time, and no answer that an edit has overtaken. */
export async function refresh() {
  asked = true;
  if (asking) return;
  asking = true;
  while (asked) {
    asked = false;
    try {
      const answer = await fetch("release.json"), found = answer.ok ? await answer.json() : null;
      if (found && !waiting && !(desk.release && found.revision < desk.release.revision)) show(found);
    } catch {
      announce("The program does not answer: start `assembler listen` again.");
    }
  }
  asking = false;
}

export function announce(text) {
  $("message").textContent = text;
  $("message").hidden = !text;
}

/** A button that does something. */
export function button(name, act) {
  const found = make("button", { type: "button" }, name);
  found.addEventListener("click", act);
  return found;
}

/** Seconds as m:ss.fff, with more decimals where they are needed. */
export function clock(s, digits = 3) {
  const sign = s < 0 ? "−" : "", whole = Math.abs(Number(s.toFixed(digits)));
  const text = (whole % 60).toFixed(digits).padStart(digits + 3, "0");
  return `${sign}${Math.floor(whole / 60)}:${digits > 3 ? text.replace(/0{1,3}$/, "") : text}`;
}

/** A typed time, in seconds or as m:ss.fff; NaN where it is neither. */
export function seconds(text) {
  const parts = text.trim().replace(",", ".").split(":");
  if (parts.length > 3 || !parts.every((one) => /^\d+(\.\d+)?$/.test(one))) return NaN;
  return parts.reduce((sum, one) => sum * 60 + Number(one), 0);
}

/** How far an arrow key moves a time, at a sample rate. */
export function stepSeconds(rate) {
  const chosen = $("step").value;
  return chosen === "frame" ? FRAME_S : chosen === "sample" ? 1 / rate : Number(chosen);
}

/** Play what an address has with a button that stops it too, also before it is heard; follow is called while it plays. */
export async function playWith(pressed, url, gain, follow, refuse) {
  const now = playing();
  stop();
  if (now && now.button === pressed) return;
  const name = pressed.textContent;
  pressed.setAttribute("aria-pressed", "true");
  pressed.textContent = "Stop";
  const begun = begin(pressed, () => {
    pressed.setAttribute("aria-pressed", "false");
    pressed.textContent = name;
    follow(null);
  });
  try {
    let answer = await fetch(url);
    for (let again = 0; answer.status === 409 && again < 3; again++) answer = await fetch(url);  // the manifest was edited meanwhile
    if (!answer.ok) throw new Error((await answer.json()).findings[0].message);
    await play(begun, await answer.arrayBuffer(), gain || 0);
    const draw = () => {
      if (!isOn(begun)) return;
      follow(playing().share);
      requestAnimationFrame(draw);
    };
    draw();
  } catch (error) {
    if (!isOn(begun)) return;
    stop();
    refuse(error.message);
  }
}

/** List findings. */
export function showFindings(list, findings) {
  list.replaceChildren(...findings.map((one) => make("li", { className: one.severity }, `${one.severity}: ${one.message}`)));
}

