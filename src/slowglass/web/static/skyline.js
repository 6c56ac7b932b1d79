// Draws the skyline with a hand or the keyboard. The list of pairs below it stays the truth: it
// is what is saved, works without this file, and is never rewritten while a line is unreadable.
"use strict";

const svg = document.getElementById("skyline");
const list = document.getElementById("pairs");
const tools = document.getElementById("skyline-tools");
const help = document.getElementById("skyline-help");
const land = svg.querySelector("polygon");
const helpWords = help.textContent;
const SVG = "http://www.w3.org/2000/svg";
let points = [];
let remarks = [];
let grips = [];

const clamp = (value, low, high) => Math.min(high, Math.max(low, value));

function read() {
  const found = [];
  const kept = [];
  for (const line of list.value.split("\n")) {
    const text = line.trim();
    if (!text) continue;
    if (text.startsWith("#")) {
      kept.push(text);
      continue;
    }
    const match = /^(\d+(?:\.\d*)?)[\s,;]+(-?\d+(?:\.\d*)?)$/.exec(text);
    if (!match || +match[1] > 360 || +match[2] < -10 || +match[2] > 90) return false;
    found.push({ az: +match[1] % 360, alt: +match[2] });
  }
  points = found;
  remarks = kept;
  return true;
}

function write() {
  const sorted = [...points].sort((a, b) => a.az - b.az);
  list.value = [...remarks, ...sorted.map((p) => `${p.az}, ${p.alt}`)].join("\n") + "\n";
}

// Half a cosine wave between neighbours, as the site's own skyline is drawn.
function altitude(azimuth, sorted) {
  if (!sorted.length) return 0;
  let right = sorted.findIndex((p) => p.az > azimuth);
  const b = right < 0 ? { ...sorted[0], az: sorted[0].az + 360 } : sorted[right];
  if (right < 0) right = sorted.length;
  const last = sorted[sorted.length - 1];
  const a = right === 0 ? { ...last, az: last.az - 360 } : sorted[right - 1];
  if (b.az === a.az) return a.alt;
  const part = (azimuth - a.az) / (b.az - a.az);
  return a.alt + (b.alt - a.alt) * (0.5 - 0.5 * Math.cos(Math.PI * part));
}

function outline() {
  const sorted = [...points].sort((a, b) => a.az - b.az);
  const along = [];
  for (let az = 0; az <= 360; az += 2) along.push(`${az},${-altitude(az % 360, sorted).toFixed(1)}`);
  land.setAttribute("points", `0,0 ${along.join(" ")} 360,0`);
}

function place(grip, point) {
  grip.setAttribute("cx", point.az);
  grip.setAttribute("cy", -point.alt);
  grip.setAttribute("aria-valuenow", point.alt);
  grip.setAttribute("aria-valuetext", `azimuth ${point.az}°, altitude ${point.alt}°`);
}

function move(point, az, alt) {
  point.az = ((Math.round(az) % 360) + 360) % 360;
  point.alt = clamp(Math.round(alt), -10, 90);
  place(grips[points.indexOf(point)], point);
  outline();
  write();
}

function remove(point) {
  const at = points.indexOf(point);
  points.splice(at, 1);
  show();
  write();
  (grips[Math.min(at, grips.length - 1)] || tools.querySelector("button")).focus();
}

const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };

function show() {
  grips.forEach((grip) => grip.remove());
  points.sort((a, b) => a.az - b.az);
  grips = points.map((point) => {
    const grip = document.createElementNS(SVG, "circle");
    const made = { class: "grip", r: 5, tabindex: 0, role: "slider", "aria-label": "Point",
      "aria-valuemin": -10, "aria-valuemax": 90, "aria-orientation": "vertical" };
    for (const [name, value] of Object.entries(made)) grip.setAttribute(name, value);
    place(grip, point);
    grip.addEventListener("keydown", (event) => {
      const step = STEPS[event.key];
      if (step) {
        const size = event.shiftKey ? 5 : 1;
        move(point, point.az + step[0] * size, point.alt + step[1] * size);
      } else if (event.key === "Delete" || event.key === "Backspace") remove(point);
      else return;
      event.preventDefault();
    });
    grip.addEventListener("pointerdown", (event) => {
      event.stopPropagation();
      grip.setPointerCapture(event.pointerId);
    });
    grip.addEventListener("pointermove", (event) => {
      if (!grip.hasPointerCapture(event.pointerId)) return;
      const at = spot(event);
      move(point, clamp(at.x, 0, 359), -at.y);
    });
    svg.append(grip);
    return grip;
  });
  outline();
}

function spot(event) {
  return new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
}

function add(az, alt) {
  const point = { az: clamp(Math.round(az), 0, 359), alt: clamp(Math.round(alt), -10, 90) };
  points.push(point);
  show();
  write();
  grips[points.indexOf(point)].focus();
}

svg.addEventListener("pointerdown", (event) => {
  const at = spot(event);
  if (!tools.hidden && at.y <= 0) {
    event.preventDefault();
    add(at.x, -at.y);
  }
});

tools.querySelector("button").addEventListener("click", () => {
  // in the middle of the widest gap
  const sorted = [...points].sort((a, b) => a.az - b.az);
  let widest = { from: 0, gap: sorted.length ? 0 : 360 };
  sorted.forEach((p, i) => {
    const gap = ((sorted[(i + 1) % sorted.length].az - p.az + 359) % 360) + 1;
    if (gap > widest.gap) widest = { from: p.az, gap };
  });
  const az = Math.round(widest.from + widest.gap / 2) % 360;
  add(az, altitude(az, sorted));
});

function start() {
  const readable = read();
  tools.hidden = !readable;
  help.textContent = readable
    ? helpWords
    : "A line below is not two numbers in degrees: drawing waits until it is. Saving tells which.";
  if (readable) show();
  else grips.forEach((grip) => grip.remove());
}

svg.setAttribute("role", "group");
svg.classList.add("drawing");
help.hidden = false;
list.addEventListener("input", start);
start();
