// Two pictures of the same size, one over the other, with a handle between them. Without this file
// they stand side by side.
"use strict";

for (const both of document.querySelectorAll("[data-compare]")) {
  const handle = document.createElement("div");
  let at = 50;
  handle.className = "handle";
  handle.tabIndex = 0;
  for (const [name, value] of Object.entries({
    role: "slider", "aria-valuemin": 0, "aria-valuemax": 100, "aria-orientation": "horizontal",
    "aria-label": both.dataset.compare,
  })) handle.setAttribute(name, value);
  const [left, right] = [both.dataset.left, both.dataset.right];

  function place(share) {
    at = Math.min(100, Math.max(0, Math.round(share)));
    both.style.setProperty("--at", `${at}%`);
    handle.setAttribute("aria-valuenow", at);
    handle.setAttribute("aria-valuetext", `${at} % ${left}, ${100 - at} % ${right}`);
  }
  const STEPS = { ArrowLeft: -2, ArrowDown: -2, ArrowRight: 2, ArrowUp: 2, PageDown: -20, PageUp: 20 };
  handle.addEventListener("keydown", (event) => {
    if (event.key in STEPS) place(at + STEPS[event.key]);
    else if (event.key === "Home") place(0);
    else if (event.key === "End") place(100);
    else return;
    event.preventDefault();
  });
  const follow = (event) => {
    const box = both.getBoundingClientRect();
    place((100 * (event.clientX - box.left)) / box.width);
  };
  both.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    both.setPointerCapture(event.pointerId);
    follow(event);
    handle.focus({ preventScroll: true });
    event.preventDefault();
  });
  both.addEventListener("pointermove", (event) => {
    if (both.hasPointerCapture(event.pointerId)) follow(event);
  });
  both.append(handle);
  both.classList.add("over");
  place(50);
}
