// The page works without this file. It flips the light in place, remembering it in the same
// cookie that the server reads, follows work in progress, and hears of changes made elsewhere.
//
// A script that changes something takes the change for its own with
// document.dispatchEvent(new Event("notebook:sent")); an element with data-hold keeps the page
// from being loaded again by itself.
"use strict";

const form = document.querySelector("form.light");
if (form) {
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const night = document.documentElement.dataset.light !== "night";
    document.documentElement.dataset.light = night ? "night" : "day";
    document.cookie =
      `light=${night ? "night" : "day"}; path=/; max-age=31536000; samesite=strict`;
    const button = form.querySelector("button");
    button.textContent = night ? "Day paper" : "Red light";
    form.querySelector("input[name=to]").value = night ? "day" : "night";
  });
}

const follow = async (work) => {
  const bar = work.querySelector("progress");
  const words = work.querySelector(".stage");
  let told;
  try {
    told = await (await fetch(work.dataset.follow, { cache: "no-store" })).json();
  } catch {
    words.textContent = "The workbench does not answer. Is it still running?";
    return;
  }
  const ended = told.state !== "running" && told.state !== "waiting";
  if (ended || (work.dataset.state && work.dataset.state !== told.state)) {
    location.reload();
    return;
  }
  words.textContent = told.words;
  if (bar && told.total > 0) {
    bar.max = told.total;
    bar.value = told.done;
  } else if (bar) {
    bar.removeAttribute("value");
  }
  setTimeout(follow, 1000, work);
};
document.querySelectorAll("[data-follow]").forEach(follow);

const root = document.documentElement;
const elsewhere = document.querySelector(".elsewhere");
const underWay = document.querySelector(".under-way");
const POLL_MS = 3000;
const IDLE_MS = 15000;

let touched = 0;
for (const kind of ["keydown", "pointerdown", "pointermove", "wheel", "touchmove", "input"]) {
  addEventListener(kind, () => { touched = performance.now(); }, { passive: true, capture: true });
}
const edited = (field) => {
  if (field.type === "checkbox" || field.type === "radio") {
    return field.checked !== field.defaultChecked;
  }
  if (field.tagName === "SELECT") {
    return [...field.options].some((option) => option.selected !== option.defaultSelected);
  }
  return field.value !== field.defaultValue;
};
const mayReload = () =>
  performance.now() - touched > IDLE_MS &&
  !document.activeElement?.closest("input, textarea, select, [contenteditable]") &&
  !document.querySelector("[data-hold], dialog[open], audio, video") &&
  ![...document.querySelectorAll("input, textarea, select")].some(edited);

const showUnderWay = (job) => {
  underWay.hidden = !job;
  if (!job) return;
  const bar = underWay.querySelector("progress");
  underWay.querySelector("a").textContent = job.title;
  underWay.querySelector("span").textContent = job.words;
  if (job.total > 0) {
    bar.max = job.total;
    bar.value = job.done;
  } else {
    bar.removeAttribute("value");
  }
};

const hear = async () => {
  try {
    return await (await fetch("/desk/revision", { cache: "no-store" })).json();
  } catch {
    return null;
  }
};
const listen = async () => {
  const told = document.visibilityState === "visible" ? await hear() : null;
  if (told) {
    showUnderWay(told.current);
    if (told.revision === root.dataset.revision) {
      elsewhere.hidden = true;
    } else if (mayReload()) {
      location.reload();
      return;
    } else {
      elsewhere.hidden = false;
    }
  }
  setTimeout(listen, POLL_MS);
};
if (elsewhere && underWay) {
  elsewhere.querySelector("button").addEventListener("click", () => location.reload());
  document.addEventListener("notebook:sent", async () => {
    const told = await hear();
    if (told) root.dataset.revision = told.revision;
  });
  setTimeout(listen, POLL_MS);
}
