// Charts that can be made larger, dragged and turned to the sky at hand. Without this file they
// stand still and open by themselves when followed.
"use strict";

for (const figure of document.querySelectorAll("figure.turnable")) {
  const links = [...figure.querySelectorAll("a.plate")];
  const tools = document.createElement("div");
  tools.className = "tools";
  const drawings = [];
  let turn = 0;

  const button = (words, label, act) => {
    const made = document.createElement("button");
    made.type = "button";
    made.textContent = words;
    made.setAttribute("aria-label", label);
    made.addEventListener("click", async () => {
      await open();
      act();
    });
    tools.append(made);
  };

  // Each light has its own drawing; both are kept the same way round.
  const open = async () => {
    if (drawings.length) return;
    for (const link of links) {
      const text = await (await fetch(link.href)).text();
      const svg = new DOMParser().parseFromString(text, "image/svg+xml").documentElement;
      // Two drawings on one page must not share the name of their clip.
      const clip = svg.querySelector("clipPath");
      const name = `sky-${Math.random().toString(36).slice(2)}`;
      clip.id = name;
      svg.querySelector("[clip-path]").setAttribute("clip-path", `url(#${name})`);
      svg.removeAttribute("width");
      svg.removeAttribute("height");
      const frame = document.createElement("div");
      frame.className = link.className + " turning";
      frame.append(document.importNode(svg, true));
      link.replaceWith(frame);
      const drawing = frame.firstElementChild;
      drawing.whole = drawing.viewBox.baseVal.width;
      drag(drawing);
      drawings.push(drawing);
    }
  };

  const rotate = (degrees) => {
    turn = ((degrees % 360) + 360) % 360;
    for (const svg of drawings) {
      for (const part of svg.querySelectorAll(".turns, .upright")) {
        const angle = part.classList.contains("turns") ? turn : -turn;
        part.setAttribute("transform", `rotate(${angle} ${part.dataset.x} ${part.dataset.y})`);
      }
    }
  };

  const zoom = (factor) => {
    for (const svg of drawings) {
      const box = svg.viewBox.baseVal;
      const width = Math.min(svg.whole, Math.max(svg.whole / 8, box.width / factor));
      const scale = width / box.width;
      box.x += (box.width * (1 - scale)) / 2;
      box.y += (box.height * (1 - scale)) / 2;
      box.width *= scale;
      box.height *= scale;
    }
  };

  const drag = (svg) => {
    let from = null;
    svg.addEventListener("pointerdown", (event) => {
      from = [event.clientX, event.clientY];
      svg.setPointerCapture(event.pointerId);
    });
    svg.addEventListener("pointermove", (event) => {
      if (!from) return;
      const scale = svg.viewBox.baseVal.width / svg.getBoundingClientRect().width;
      for (const other of drawings) {
        other.viewBox.baseVal.x -= (event.clientX - from[0]) * scale;
        other.viewBox.baseVal.y -= (event.clientY - from[1]) * scale;
      }
      from = [event.clientX, event.clientY];
    });
    for (const end of ["pointerup", "pointercancel"]) svg.addEventListener(end, () => (from = null));
  };

  const asTheSky = () => {
    const { zenithDeg, upDeg, mirrored } = drawings[0].dataset;
    const away = Number(zenithDeg ?? upDeg) - Number(upDeg);
    rotate(mirrored === "1" ? -away : away);
  };

  button("+", "Larger", () => zoom(1.5));
  button("−", "Smaller", () => zoom(1 / 1.5));
  button("↺", "Turn to the left", () => rotate(turn - 15));
  button("↻", "Turn to the right", () => rotate(turn + 15));
  button("As the sky", "As the sky at that hour, zenith up", asTheSky);
  figure.append(tools);
}
