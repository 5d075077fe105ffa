// Keeps ticks and remarks in the browser, and writes them out as a small file.
"use strict";
(() => {
  const { name, proof_of, sound, heard } = JSON.parse(document.getElementById("release").textContent);
  const form = document.getElementById("approval-form");
  const kept = form.querySelector(".kept");
  const key = `proof ${name} ${proof_of}`;
  const fields = [...form.elements].filter((field) => field.name);

  const remember = () => {
    const values = fields.map((field) =>
      [field.name, field.type === "checkbox" ? field.checked : field.value]);
    try {
      localStorage.setItem(key, JSON.stringify(Object.fromEntries(values)));
    } catch {
      kept.textContent = "This browser does not keep your entries: save the file before you close the page.";
    }
  };
  const recall = () => {
    try {
      const values = JSON.parse(localStorage.getItem(key) ?? "{}");
      for (const field of fields) {
        if (!(field.name in values)) continue;
        if (field.type === "checkbox") field.checked = values[field.name] === true;
        else field.value = String(values[field.name]);
      }
    } catch {
      kept.textContent = "Earlier entries can’t be read in this browser.";
    }
  };

  // A remark that is begun while its track or join plays starts with the playing position.
  const audio = document.querySelector(".player audio");
  const TIME = /(?<![\d:])(\d{1,3}):([0-5]\d\.\d)(?!\d)/g;
  const buttonOf = (area) => area.closest(".answer")?.querySelector("button.play");
  const stamp = (event) => {
    const area = event.target, button = area.name === "remark" ? null : buttonOf(area);
    const typed = event.inputType?.startsWith("insert") && !event.isComposing && event.data;
    if (!typed || !button || !("current" in button.dataset)) return;
    if (audio.ended || !(audio.currentTime > 0)) return;
    const start = area.value.lastIndexOf("\n", area.selectionStart - 1) + 1;
    const line = area.value.slice(start).split("\n", 1)[0];
    if (line === event.data) {
      area.setRangeText(`${clock(audio.currentTime, 1)} `, start, start, "preserve");
    }
  };
  // The times in a remark become buttons that play from there.
  const showTimes = (area) => {
    const button = buttonOf(area), found = button ? [...area.value.matchAll(TIME)] : [];
    const label = area.closest("label");
    let times = label.nextElementSibling;
    if (!times && found.length) {
      times = document.createElement("span");
      times.className = "times";
      label.after(times);
    }
    times?.replaceChildren(...found.map(([text, minutes, seconds]) => {
      const to = document.createElement("button");
      to.type = "button";
      to.textContent = `▶ ${text}`;
      to.setAttribute("aria-label", `Play from ${text}: ${area.closest("fieldset").querySelector("legend").textContent}`);
      to.addEventListener("click", () => {
        const detail = { button, s: 60 * Number(minutes) + Number(seconds) };
        document.dispatchEvent(new CustomEvent("play-item", { detail }));
      });
      return to;
    }));
  };

  // Which seconds of each track this page has played at an audible volume.
  const playedKey = `${key} played`;
  const played = (() => {
    try {
      return JSON.parse(localStorage.getItem(playedKey) ?? "{}");
    } catch {
      return {};
    }
  })();
  document.addEventListener("playing-at", ({ detail }) => {
    if (!detail.audible || !Number.isFinite(detail.of)) return;
    const one = played[detail.track] ??= { at: [] }, second = Math.floor(detail.s);
    one.of = detail.of;
    if (one.at.includes(second)) return;
    one.at.push(second);
    try {
      localStorage.setItem(playedKey, JSON.stringify(played));
    } catch {
      // without storage, what is played counts until the page is closed
    }
  });
  const share = (id) => {
    const one = played[id];
    return one ? Math.floor(100 * Math.min(1, one.at.length / Math.ceil(one.of))) / 100 : 0;
  };
  const heardFiles = () => ({
    audio: heard.audio,
    tracks: heard.sha256s.map((file, index) => ({ file, played: share(index + 1) })),
    editions: heard.editions,
  });

  const verdicts = (kind) =>
    [...form.querySelectorAll(`[data-kind="${kind}"]`)].map((fieldset) => ({
      key: fieldset.dataset.key,
      title: fieldset.dataset.title,
      approved: fieldset.querySelector("input").checked,
      remark: fieldset.querySelector("textarea").value.trim(),
    }));
  const tally = () => {
    const count = (kind, what) => {
      const all = verdicts(kind);
      return `${all.filter((one) => one.approved).length} of ${all.length} ${what}`;
    };
    form.querySelector(".tally").textContent =
      `Ticked so far: ${count("track", "tracks")}, ${count("join", "joins")}, ` +
      `${count("part", "further items (sleeve text, levels)")}.`;
  };

  const today = () => {
    const now = new Date();
    const two = (number) => String(number).padStart(2, "0");
    return `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
  };
  const approval = () => ({
    approval: 1,
    release: name,
    proof_of,
    approved: form.elements.approved.checked,
    name: form.elements.name.value.trim(),
    date: today(),
    remark: form.elements.remark.value.trim(),
    tracks: verdicts("track"),
    joins: verdicts("join"),
    parts: verdicts("part"),
    ...(sound && { sound }),
    ...(heard && { heard: heardFiles() }),
  });
  const save = () => {
    const text = JSON.stringify(approval(), null, 2) + "\n";
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text], { type: "application/json" }));
    link.download = `${name}.approval.json`;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  };

  const areas = [...form.querySelectorAll(".remark textarea")];
  recall();
  tally();
  areas.forEach(showTimes);
  form.addEventListener("input", (event) => {
    if (areas.includes(event.target)) {
      stamp(event);
      showTimes(event.target);
    }
    remember();
    tally();
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    save();
  });
})();
