// The page works without this file. It flips the light in place, remembering it in the same
// cookie that the server reads, and follows work in progress.
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
