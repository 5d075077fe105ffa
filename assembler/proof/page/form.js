// Keeps ticks and remarks in the browser, and writes them out as a small file.
"use strict";
(() => {
  const { name, proof_of, sound } = JSON.parse(document.getElementById("release").textContent);
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
  });
  const save = () => {
    const text = JSON.stringify(approval(), null, 2) + "\n";
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text], { type: "application/json" }));
    link.download = `${name}.approval.json`;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  };

  recall();
  tally();
  form.addEventListener("input", () => {
    remember();
    tally();
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    save();
  });
})();
