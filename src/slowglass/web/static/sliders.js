// Sliders that answer at once. The form works without this file: its fields hold the numbers and
// its button sends them. Here ranges move the fields, the workbench is asked what they give, and
// words and pictures change in place; moves can be taken back.
//
// form[data-answer]        asked with the fields; answers {out, pictures, sets, spoken, trouble}
// [data-slider=name]       a range for the field of that name; data-stops lists uneven steps
// [data-own=name]          empties that field: the automatic value
// [data-out=key]           shows out[key];  img[data-picture=key] shows pictures[key],
//                          with data-then soon after the others, with data-late once all is at rest
// [data-swap]              shows pictures[key + "-other"] while pressed, and so does out for
//                          what has data-swaps
// [data-set=key…], [data-undo], [data-redo], [data-automatic]
"use strict";

const SPEAK_MS = 700;
const THEN_MS = 120;

function start(form) {
  const page = document.getElementById("main");
  const ranges = [...form.querySelectorAll("[data-slider]")];
  const field = (name) => form.elements[name];
  const number = (text) => {
    const value = Number(String(text).trim().replace(",", ".").replace("−", "-"));
    return String(text).trim() === "" || Number.isNaN(value) ? null : value;
  };
  const stops = (range) => range.dataset.stops?.split(" ").map(Number);

  const plain = (value, range) => {
    const digits = (range.step.split(".")[1] || "").length;
    return String(Number(value.toFixed(digits)));
  };
  const spoken = (range, text) => {
    const words = range.dataset.unit ? `${text} ${range.dataset.unit}` : text;
    return field(range.dataset.slider).value === "" ? `${words}, automatic` : words;
  };

  // range and "auto" button stand as the field says
  function settle(range) {
    const input = field(range.dataset.slider);
    const text = input.value.trim() === "" ? (range.dataset.usual ?? "") : input.value;
    const value = number(text);
    input.toggleAttribute("aria-invalid", value === null && input.value.trim() !== "");
    if (value !== null) {
      const list = stops(range);
      range.value = list
        ? list.reduce((best, stop, i) =>
            Math.abs(Math.log(stop / value)) < Math.abs(Math.log(list[best] / value)) ? i : best, 0)
        : value;
      range.setAttribute("aria-valuetext", spoken(range, text));
    }
    const own = form.querySelector(`[data-own="${range.dataset.slider}"]`);
    if (own) own.disabled = input.value.trim() === "";
  }
  const settleAll = () => ranges.forEach(settle);

  // what can be taken back
  const remembered = [...form.querySelectorAll("input[name], select[name]")].filter(
    (one) => one.type !== "hidden" || one.dataset.remember !== undefined);
  const read = () => remembered.map((one) =>
    one.type === "checkbox" || one.type === "radio" ? one.checked : one.value);
  const write = (state) => {
    remembered.forEach((one, i) => {
      if (one.type === "checkbox" || one.type === "radio") one.checked = state[i];
      else one.value = state[i];
    });
    settleAll();
  };
  const past = [read()];
  let at = 0;
  const undo = form.querySelector("[data-undo]");
  const redo = form.querySelector("[data-redo]");
  const automatic = form.querySelector("[data-automatic]");
  const buttons = () => {
    if (undo) undo.disabled = at === 0;
    if (redo) redo.disabled = at === past.length - 1;
    if (automatic) {
      automatic.disabled = ranges.every((range) =>
        range.dataset.usual === undefined || field(range.dataset.slider).value === "");
    }
  };
  function remember() {
    const now = read();
    if (JSON.stringify(now) === JSON.stringify(past[at])) return;
    past.splice(at + 1, past.length, now);
    at = past.length - 1;
    buttons();
  }
  function step(by) {
    if (!past[at + by]) return;
    at += by;
    write(past[at]);
    buttons();
    ask();
  }

  // asking: one question at a time, the newest next
  let asking = false;
  let next = false;
  let told = null;
  let speaking = 0;
  let closer = 0;
  let place = "";
  const trouble = form.querySelector(".trouble");

  async function ask(began = performance.now()) {
    clearTimeout(closer);
    if (form.querySelector("[aria-invalid]")) return;
    if (asking) {
      next = true;
      return;
    }
    asking = true;
    form.setAttribute("aria-busy", "true");
    const query = new URLSearchParams(new FormData(form));
    for (const [key, value] of [...query]) if (value === "") query.delete(key);
    try {
      const answer = await fetch(`${form.dataset.answer}?${query}`, { cache: "no-store" });
      const found = await answer.json();
      trouble.textContent = found.trouble || "";
      if (answer.ok) {
        told = found;
        await show();
        place = `${location.pathname}?${query}`;
        history.replaceState(history.state, "", place);
        form.dataset.took = Math.round(performance.now() - began);
        form.dataset.answered = Number(form.dataset.answered || 0) + 1;
        clearTimeout(speaking);
        clearTimeout(closer);
        speaking = setTimeout(say, SPEAK_MS);
        closer = setTimeout(() => page.querySelectorAll("img[data-then]").forEach(picture), THEN_MS);
      }
    } catch {
      trouble.textContent = "The workbench does not answer. Is it still running?";
    }
    asking = false;
    if (next) {
      next = false;
      ask();
    } else {
      form.removeAttribute("aria-busy");
    }
  }

  const say = () => {
    const line = page.querySelector("[data-spoken]");
    if (line && told?.spoken) line.textContent = told.spoken;
    for (const image of page.querySelectorAll("img[data-late]")) picture(image);
  };

  async function picture(image) {
    const key = image.dataset.picture;
    const address = told.pictures[key + swapped()] || told.pictures[key];
    if (!address || image.getAttribute("src") === address) return;
    const ready = new Image();
    ready.src = address;
    try {
      await ready.decode();
    } catch {
      return; // the one shown stays
    }
    image.src = address;
  }

  const swapped = () => (page.querySelector('[data-swap][aria-pressed="true"]') ? "-other" : "");
  function fill() {
    for (const one of page.querySelectorAll("[data-out]")) {
      const key = one.dataset.out + ("swaps" in one.dataset ? swapped() : "");
      if (key in told.out) one.textContent = told.out[key];
    }
  }

  async function show() {
    for (const line of page.querySelectorAll("[data-told]")) line.hidden = false;
    fill();
    const images = page.querySelectorAll("img[data-picture]:not([data-late], [data-then])");
    await Promise.all([...images].map(picture));
  }

  // what is moved
  for (const range of ranges) {
    range.hidden = false;
    range.addEventListener("input", () => {
      const list = stops(range);
      const value = list ? list[Number(range.value)] : Number(range.value);
      field(range.dataset.slider).value = list ? String(value) : plain(value, range);
      settle(range);
      ask();
    });
    range.addEventListener("change", remember);
  }
  for (const own of form.querySelectorAll("[data-own]")) {
    own.hidden = false;
    own.addEventListener("click", () => {
      field(own.dataset.own).value = "";
      changed();
    });
  }
  function changed() {
    settleAll();
    remember();
    ask();
  }
  form.addEventListener("change", (event) => {
    if (!event.target.dataset.slider && !event.target.closest("[data-apart]")) changed();
  });
  form.addEventListener("submit", (event) => {
    // Enter in a field shows; the buttons that keep or export go their way
    if (!event.submitter || event.submitter.hasAttribute("data-show")) {
      event.preventDefault();
      changed();
    }
  });
  for (const [button, by] of [[undo, -1], [redo, 1]]) {
    if (!button) continue;
    button.hidden = false;
    button.addEventListener("click", () => step(by));
  }
  if (automatic) {
    automatic.hidden = false;
    automatic.addEventListener("click", () => {
      for (const range of ranges) {
        if (range.dataset.usual !== undefined) field(range.dataset.slider).value = "";
      }
      changed();
    });
  }
  const takes = page.querySelector("[data-take]");
  takes?.addEventListener("click", (event) => {
    if (!told) return; // the link leads there as well
    event.preventDefault();
    for (const [name, value] of Object.entries(told.sets)) field(name).value = value;
    changed();
  });
  const swap = page.querySelector("[data-swap]");
  if (swap) {
    swap.hidden = false;
    swap.addEventListener("click", () => {
      const pressed = swap.getAttribute("aria-pressed") !== "true";
      swap.setAttribute("aria-pressed", pressed);
      if (told) {
        fill();
        page.querySelectorAll("img[data-picture]").forEach(picture);
      } else {
        ask();
      }
    });
  }
  // a click on the picture moves the place that is looked at closely
  const closely = page.querySelector("[data-closely]");
  if (closely) {
    closely.addEventListener("click", (event) => {
      const box = closely.getBoundingClientRect();
      const shares = {
        x: (event.clientX - box.left) / box.width,
        y: (event.clientY - box.top) / box.height,
      };
      for (const [name, share] of Object.entries(shares)) {
        field(name).value = String(Math.round(100 * Math.min(1, Math.max(0, share))));
      }
      event.preventDefault();
      changed();
    });
  }
  addEventListener("keydown", (event) => {
    if (!(event.ctrlKey || event.metaKey)) return;
    if (event.target.matches?.('input[type="text"], textarea')) return;
    const back = event.key === "z" && !event.shiftKey;
    const again = event.key === "y" || (event.key.toLowerCase() === "z" && event.shiftKey);
    if ((back && undo) || (again && redo)) {
      event.preventDefault();
      step(back ? -1 : 1);
    }
  });
  for (const plainly of form.querySelectorAll("[data-show]")) plainly.hidden = true;
  settleAll();
  buttons();
  form.dataset.ready = "yes";
  if (form.dataset.first !== undefined) ask();
}

document.querySelectorAll("form[data-answer]").forEach(start);
