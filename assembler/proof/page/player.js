// One player for the whole page. It begins at a low volume.
"use strict";
(() => {
  const LOW_VOLUME = 0.15;
  const bar = document.querySelector(".player"), audio = bar.querySelector("audio");
  const status = bar.querySelector(".playing");
  let current = null;
  audio.volume = LOW_VOLUME;

  const name = (button) => button.querySelector(".unseen").textContent.trim();
  const show = (button, playing) => {
    button.firstChild.textContent = playing ? "Pause" : "Play";
    button.classList.toggle("on", playing);
  };

  const play = (button, s) => {
    if (current !== button) {
      if (current) {
        show(current, false);
        delete current.dataset.current;
      }
      current = button;
      current.dataset.current = "";
      audio.src = button.dataset.src;
      bar.hidden = false;
      status.textContent = name(button);
    }
    if (s !== undefined) audio.currentTime = s;
    audio.play().catch((error) => {
      if (error.name !== "AbortError") failed();
    });
  };
  const TYPES = { mp3: "audio/mpeg", flac: "audio/flac", wav: "audio/wav", m4a: "audio/mp4", opus: "audio/ogg; codecs=opus", ogg: "audio/ogg" };
  const failed = () => {
    const file = decodeURI(current.dataset.src), type = TYPES[file.split(".").pop().toLowerCase()];
    status.textContent = type && audio.canPlayType(type)
      ? `${file} is missing or damaged. Keep this page in the release’s folder, together with all its files.`
      : `This browser can’t play this file: ${file}. Open it in another player.`;
  };

  const buttons = [...document.querySelectorAll("a.play")].map((link) => {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "play";
    button.dataset.src = link.getAttribute("href");
    if (link.dataset.track) button.dataset.track = link.dataset.track;
    button.append(...link.childNodes);
    button.addEventListener("click", () => {
      if (current === button && !audio.paused) audio.pause();
      else play(button);
    });
    link.replaceWith(button);
    return button;
  });

  audio.addEventListener("play", () => show(current, true));
  audio.addEventListener("pause", () => show(current, false));
  audio.addEventListener("error", () => current && failed());
  audio.addEventListener("timeupdate", () => {
    if (audio.paused || !current.dataset.track) return;
    const audible = !audio.muted && audio.volume > 0;
    const detail = {
      track: Number(current.dataset.track), s: audio.currentTime, of: audio.duration, audible,
    };
    document.dispatchEvent(new CustomEvent("playing-at", { detail }));
  });
  document.addEventListener("play-track", ({ detail }) => {
    const button = buttons.find((one) => Number(one.dataset.track) === detail.track);
    if (button) play(button, detail.s);
  });
  document.addEventListener("play-item", ({ detail }) => play(detail.button, detail.s));
})();
