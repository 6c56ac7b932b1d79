// The keys of the legs: right and left go on and back, Enter on nothing ticks the leg off.
"use strict";

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.target.closest("input, textarea, select, button, a, figure")) return;
  const go = { ArrowRight: "next", ArrowLeft: "prev" }[event.key];
  const link = go && document.querySelector(`a[rel="${go}"]`);
  if (link) link.click();
  else if (event.key === "Enter") document.querySelector("form.found button")?.click();
});
