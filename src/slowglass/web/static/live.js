// Follows a watched folder: asks every two seconds what has changed and puts it in place. The
// page is whole without it and then loads itself again every ten seconds.
"use strict";

const live = document.querySelector("[data-live]");
if (live) {
  const hearing = live.querySelector(".hearing");
  const shown = new Map();
  let seen = live.dataset.version;
  let cueOf = "";

  const put = (name, html) => {
    if (shown.get(name) === html) return;
    shown.set(name, html);
    const part = document.getElementById(`live-${name}`);
    const open = [...part.querySelectorAll("details[open]")].map((d) => d.id);
    const held = part.contains(document.activeElement) ? document.activeElement : null;
    const again = held && (held.id ? `#${held.id}` : held.tagName.toLowerCase());
    part.innerHTML = html;
    for (const id of open) document.getElementById(id)?.setAttribute("open", "");
    if (again) part.querySelector(again)?.focus();
  };

  const button = live.querySelector(".sound");
  let sound = null;
  const tone = (hertz, after, seconds) => {
    const from = sound.currentTime + after;
    const voice = sound.createOscillator();
    const level = sound.createGain();
    voice.frequency.value = hertz;
    level.gain.setValueAtTime(0, from);
    level.gain.linearRampToValueAtTime(0.2, from + 0.02);
    level.gain.linearRampToValueAtTime(0, from + seconds);
    voice.connect(level).connect(sound.destination);
    voice.start(from);
    voice.stop(from + seconds);
  };
  const ring = (cue) => {
    if (!sound || !cue) return;
    tone(cue === "act" ? 440 : 660, 0, 0.25);
    tone(cue === "act" ? 330 : 880, 0.3, 0.35);
  };
  if ("AudioContext" in window) {
    button.hidden = false;
    button.addEventListener("click", () => {
      const on = button.getAttribute("aria-pressed") !== "true";
      button.setAttribute("aria-pressed", String(on));
      if (on) {
        sound = new AudioContext();
        ring("done");
      } else {
        sound.close();
        sound = null;
      }
    });
  }

  const follow = async () => {
    try {
      const answer = await fetch(`${live.dataset.live}?seen=${seen}`, { cache: "no-store" });
      const now = await answer.json();
      hearing.textContent = "";
      if (now.parts) {
        seen = String(now.version);
        for (const [name, html] of Object.entries(now.parts)) put(name, html);
        const cue = `${now.cue}: ${now.say}`;
        if (cue !== cueOf) ring(now.cue);
        cueOf = cue;
      }
    } catch {
      hearing.textContent = "The watch does not answer. Is it still running?";
    }
    setTimeout(follow, 2000);
  };
  setTimeout(follow, 2000);
}
