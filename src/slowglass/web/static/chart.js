// Charts that can be made larger, dragged, turned to the sky at hand and flipped to what one looks
// through. Without this file they stand still, are flipped by the form above them, and open by
// themselves when followed.
"use strict";

const NOW_EVERY_MS = 30000;
const NARROWEST = 8;

for (const figure of document.querySelectorAll("figure.turnable")) {
  const links = [...figure.querySelectorAll("a.plate")];
  const tools = document.createElement("div");
  tools.className = "tools";
  const said = document.createElement("p");
  said.className = "turned";
  said.setAttribute("role", "status");
  let drawings = [];
  let turn = 0;
  let follows = "";
  let timer = 0;
  let seen = figure.dataset.seen || "erect";

  // Each light has its own drawing; both are kept the same way round.
  const load = async (address) => {
    const text = await (await fetch(address)).text();
    const svg = new DOMParser().parseFromString(text, "image/svg+xml").documentElement;
    // Two drawings on one page must not share the name of their clip.
    const clip = svg.querySelector("clipPath");
    const name = `sky-${Math.random().toString(36).slice(2)}`;
    clip.id = name;
    svg.querySelector("[clip-path]").setAttribute("clip-path", `url(#${name})`);
    svg.removeAttribute("width");
    svg.removeAttribute("height");
    if (figure.dataset.cut) svg.setAttribute("viewBox", figure.dataset.cut);
    return document.importNode(svg, true);
  };

  const address = (link) => {
    const url = new URL(link.href);
    if (seen === "erect") url.searchParams.delete("seen");
    else url.searchParams.set("seen", seen);
    return url;
  };

  const open = async () => {
    if (drawings.length) return;
    for (const link of links) {
      const frame = document.createElement("div");
      frame.className = link.className + " turning";
      frame.append(await load(address(link)));
      link.replaceWith(frame);
      const drawing = frame.firstElementChild;
      drawing.whole = drawing.viewBox.baseVal.width;
      hold(drawing);
      drawings.push(drawing);
    }
    figure.tabIndex = 0;
    figure.setAttribute("role", "group");
    figure.setAttribute("aria-label", `${figure.querySelector("figcaption").textContent}: plus and minus make it larger and smaller, arrows move it, comma and full stop turn it`);
  };

  const flip = async (to) => {
    seen = to;
    if (!drawings.length) await open();
    else {
      const fresh = [];
      for (const [i, old] of drawings.entries()) {
        const drawing = await load(address(links[i]));
        drawing.setAttribute("viewBox", old.getAttribute("viewBox"));
        drawing.whole = old.whole;
        old.replaceWith(drawing);
        hold(drawing);
        fresh.push(drawing);
      }
      drawings = fresh;
    }
    for (const one of tools.querySelectorAll("[data-seen]")) {
      one.setAttribute("aria-pressed", String(one.dataset.seen === seen));
    }
    if (follows) await asTheSky(follows);
    else rotate(0);
    figure.dataset.seen = to;
  };

  const rotate = (degrees) => {
    turn = ((degrees % 360) + 360) % 360;
    figure.dataset.turn = turn.toFixed(1);
    for (const svg of drawings) {
      for (const part of svg.querySelectorAll(".turns, .upright")) {
        const angle = part.classList.contains("turns") ? turn : -turn;
        part.setAttribute("transform", `rotate(${angle} ${part.dataset.x} ${part.dataset.y})`);
      }
    }
  };

  const byHand = (degrees) => {
    follow("");
    rotate(turn + degrees);
  };

  const zoom = (factor, at = [0.5, 0.5]) => {
    for (const svg of drawings) {
      const box = svg.viewBox.baseVal;
      const width = Math.min(svg.whole, Math.max(svg.whole / NARROWEST, box.width / factor));
      const scale = width / box.width;
      box.x += box.width * (1 - scale) * at[0];
      box.y += box.height * (1 - scale) * at[1];
      box.width *= scale;
      box.height *= scale;
    }
    figure.dataset.zoom = (drawings[0].whole / drawings[0].viewBox.baseVal.width).toFixed(2);
  };

  const pan = (right, down) => {
    for (const svg of drawings) {
      svg.viewBox.baseVal.x += right;
      svg.viewBox.baseVal.y += down;
    }
  };

  const hold = (svg) => {
    const fingers = new Map();
    const unit = () => svg.viewBox.baseVal.width / svg.getBoundingClientRect().width;
    const apart = () => {
      const [a, b] = [...fingers.values()];
      return Math.hypot(a[0] - b[0], a[1] - b[1]);
    };
    svg.addEventListener("pointerdown", (event) => {
      fingers.set(event.pointerId, [event.clientX, event.clientY]);
      svg.setPointerCapture(event.pointerId);
    });
    svg.addEventListener("pointermove", (event) => {
      const from = fingers.get(event.pointerId);
      if (!from) return;
      const before = fingers.size === 2 ? apart() : 0;
      fingers.set(event.pointerId, [event.clientX, event.clientY]);
      if (before) zoom(apart() / before);
      else pan((from[0] - event.clientX) * unit(), (from[1] - event.clientY) * unit());
    });
    for (const end of ["pointerup", "pointercancel"]) {
      svg.addEventListener(end, (event) => fingers.delete(event.pointerId));
    }
    svg.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && document.activeElement !== figure) return;
      event.preventDefault();
      const box = svg.getBoundingClientRect();
      zoom(Math.exp(-event.deltaY / 400), [
        (event.clientX - box.left) / box.width,
        (event.clientY - box.top) / box.height,
      ]);
    }, { passive: false });
  };

  const follow = (mode) => {
    follows = mode;
    clearInterval(timer);
    if (mode === "now") timer = setInterval(() => asTheSky("now"), NOW_EVERY_MS);
    for (const one of tools.querySelectorAll("[data-sky]")) {
      one.setAttribute("aria-pressed", String(one.dataset.sky === mode));
    }
    if (!mode) said.textContent = "";
  };

  // The way up of the moment the way was made for, or of this one, is brought to the top.
  const asTheSky = async (mode) => {
    const { zenithDeg, upDeg, mirrored, raDeg, decDeg } = drawings[0].dataset;
    let zenith = Number(zenithDeg ?? upDeg);
    if (mode === "now") {
      const answer = await fetch(`/sky/up?ra=${raDeg}&dec=${decDeg}`, { cache: "no-store" });
      const now = await answer.json();
      zenith = now.zenith_deg;
      said.textContent = `As at ${now.clock}, zenith up: ${Math.round(now.altitude_deg)}° ` +
        (now.altitude_deg > 0 ? "high." : "high, below the horizon.");
    }
    const away = zenith - Number(upDeg);
    rotate(mirrored === "1" ? -away : away);
  };

  const button = (words, label, act, data = {}) => {
    const made = document.createElement("button");
    made.type = "button";
    made.textContent = words;
    if (label) made.setAttribute("aria-label", label);
    Object.assign(made.dataset, data);
    if (Object.keys(data).length) made.setAttribute("aria-pressed", "false");
    made.addEventListener("click", async () => {
      await open();
      await act();
    });
    tools.append(made);
    return made;
  };

  button("+", "Larger", () => zoom(1.5));
  button("−", "Smaller", () => zoom(1 / 1.5));
  button("↺", "Turn to the left", () => byHand(-15));
  button("↻", "Turn to the right", () => byHand(15));
  for (const [mode, words] of [["then", "The sky then"], ["now", "The sky now"]]) {
    button(words, mode === "then" ? "As the sky at that hour, zenith up" : "As the sky now, zenith up", async () => {
      const off = follows === mode;
      follow(off ? "" : mode);
      if (off) rotate(0);
      else await asTheSky(mode);
    }, { sky: mode });
  }
  if (!figure.dataset.fixed) {
    for (const [view, words] of JSON.parse(figure.dataset.views)) {
      const made = button(words, `As seen ${words}`, () => flip(view), { seen: view });
      made.setAttribute("aria-pressed", String(view === seen));
    }
  }
  figure.append(tools, said);

  const KEYS = {
    "+": () => zoom(1.5), "=": () => zoom(1.5), "-": () => zoom(1 / 1.5), ",": () => byHand(-15), ".": () => byHand(15),
    ArrowLeft: () => pan(-40, 0), ArrowRight: () => pan(40, 0), ArrowUp: () => pan(0, -40), ArrowDown: () => pan(0, 40),
  };
  figure.addEventListener("keydown", (event) => {
    const act = KEYS[event.key];
    if (event.target !== figure || !act || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    event.stopPropagation();
    act();
  });
}
