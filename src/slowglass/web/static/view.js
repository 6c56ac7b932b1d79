// The picture in full size: squares fetched as they come into sight, drawn at any size, with the
// value and the sky under the pointer. Smaller levels stand in until the sharp squares are there.
"use strict";

const plate = document.querySelector(".big-plate");
if (plate) {
  const box = plate.querySelector(".window");
  const canvas = box.querySelector(".picture");
  const over = box.querySelector(".over");
  const pen = canvas.getContext("2d", { alpha: false });
  const ink = over.getContext("2d");
  const waiting = box.querySelector(".waiting");
  const said = plate.querySelector(".spot");
  const spoken = plate.querySelector(".spoken");
  const sized = plate.querySelector(".size");
  const of = encodeURIComponent(plate.dataset.of);

  const MOST_SQUARES = 56; // held, at most 1.8 MB each: codes and what is shown of them
  const AT_ONCE = 6;
  const BUDGET_MS = 7; // of each frame, for toning squares
  const LARGEST = 32;
  const STEP = 1.6;

  let facts = null;
  let marks = null;
  let lines = null;
  let ready = false;
  const view = { x: 0, y: 0, size: 1 }; // picture point in the middle, CSS px a picture pixel
  let cross = null;
  let tones = null;
  let toning = 0; // raised when squares have to be toned anew
  let coding = 0;
  const hands = { black: 0, brightness: 0, contrast: 0 };
  const look = { colours: false, negative: true, night: false };
  const on = { found: false, known: false, objects: false, grid: false, target: true };
  let inks = ViewMarks.inks(false);
  const squares = new Map();
  const asked = new Map();
  let turn = 0;

  // Sizes and places

  const dots = () => Math.min(window.devicePixelRatio || 1, 2);
  const wide = () => box.clientWidth;
  const high = () => box.clientHeight;
  const at = (x, y) => [
    (x - view.x) * view.size + wide() / 2,
    (y - view.y) * view.size + high() / 2,
  ];
  const under = (sx, sy) => [
    (sx - wide() / 2) / view.size + view.x,
    (sy - high() / 2) / view.size + view.y,
  ];
  const whole = () => Math.min(wide() / facts.sizes[0][0], high() / facts.sizes[0][1]);
  const smallest = () => Math.min(1, whole());

  const settle = (to) => {
    const [w, h] = facts.sizes[0];
    to.size = Math.min(LARGEST, Math.max(smallest(), to.size));
    // A picture smaller than the window stands in its middle; a larger one fills it.
    for (const [name, most, room] of [["x", w, wide()], ["y", h, high()]]) {
      const half = room / to.size / 2;
      to[name] =
        most <= 2 * half
          ? (most - 1) / 2
          : Math.min(most - 0.5 - half, Math.max(half - 0.5, to[name]));
    }
    return to;
  };

  let gliding = null;
  const still = matchMedia("(prefers-reduced-motion: reduce)");
  const go = (to, glide = false) => {
    if (!ready) return;
    gliding = null;
    const goal = settle({ ...view, ...to });
    if (glide && !still.matches) {
      gliding = { from: { ...view }, goal, since: performance.now() };
    } else Object.assign(view, goal);
    moved();
  };
  // The picture point under (sx, sy) stays there.
  const resize = (factor, sx = wide() / 2, sy = high() / 2, glide = false) => {
    const start = gliding ? gliding.goal : view;
    const size = Math.min(LARGEST, Math.max(smallest(), start.size * factor));
    const [ox, oy] = [sx - wide() / 2, sy - high() / 2];
    go(
      {
        x: start.x + ox / start.size - ox / size,
        y: start.y + oy / start.size - oy / size,
        size,
      },
      glide,
    );
  };

  // Drawing

  let drawing = false;
  const redraw = () => {
    if (drawing) return;
    drawing = true;
    requestAnimationFrame(paint);
  };

  const paint = (now) => {
    drawing = false;
    if (!ready) return;
    if (gliding) {
      const t = Math.min(1, Math.max(0, (now - gliding.since) / 170));
      const ease = t * (2 - t);
      const { from, goal } = gliding;
      view.size = from.size * (goal.size / from.size) ** ease;
      // Straight on the screen: the place follows the size.
      const share =
        goal.size === from.size
          ? ease
          : (1 / view.size - 1 / from.size) / (1 / goal.size - 1 / from.size);
      view.x = from.x + (goal.x - from.x) * share;
      view.y = from.y + (goal.y - from.y) * share;
      if (t === 1) gliding = null;
      moved();
    }
    const scale = view.size * dots();
    const deepest = facts.sizes.length - 1;
    const level = Math.min(deepest, Math.max(0, Math.floor(-Math.log2(scale) + 1e-6)));
    const step = facts.square * 2 ** level;
    const [w, h] = facts.sizes[level];
    const [left, top] = under(0, 0);
    const [right, bottom] = under(wide(), high());
    const columns = Math.ceil(w / facts.square);
    const rows = Math.ceil(h / facts.square);
    const first = Math.max(0, Math.floor((left + 0.5) / step));
    const last = Math.min(columns - 1, Math.floor((right + 0.5) / step));
    const upper = Math.max(0, Math.floor((top + 0.5) / step));
    const lower = Math.min(rows - 1, Math.floor((bottom + 0.5) / step));
    turn += 1;

    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.fillStyle = inks.plate;
    pen.fillRect(0, 0, canvas.width, canvas.height);
    pen.imageSmoothingEnabled = scale < 1;
    pen.save();
    pen.beginPath();
    const [pw, ph] = facts.sizes[0];
    const [px, py] = at(-0.5, -0.5).map((v) => v * dots());
    pen.rect(px, py, pw * scale, ph * scale);
    pen.clip();
    const wanted = [];
    const until = performance.now() + BUDGET_MS;
    let late = false;
    for (let row = upper; row <= lower; row++) {
      for (let column = first; column <= last; column++) {
        const key = `${level}/${column}/${row}`;
        const square = squares.get(key);
        if (!square || square.coding !== coding) wanted.push([key, level, column, row]);
        late = place(level, column, row, scale, until) || late;
      }
    }
    pen.restore();
    // The smallest level is always there to stand in.
    for (let row = 0; row < Math.ceil(facts.sizes[deepest][1] / facts.square); row++)
      for (let column = 0; column < Math.ceil(facts.sizes[deepest][0] / facts.square); column++) {
        const key = `${deepest}/${column}/${row}`;
        if (squares.get(key)) squares.get(key).turn = turn;
        else wanted.unshift([key, deepest, column, row]);
      }
    const [mc, mr] = [(view.x / step) | 0, (view.y / step) | 0];
    wanted.sort(
      (a, b) =>
        b[1] - a[1] || Math.hypot(a[2] - mc, a[3] - mr) - Math.hypot(b[2] - mc, b[3] - mr),
    );
    fetchSquares(wanted);
    ink.setTransform(dots(), 0, 0, dots(), 0, 0);
    ViewMarks.draw(ink, {
      marks, lines, on, at, scale: view.size, width: wide(), height: high(), ink: inks, cross,
      size: facts.sizes[0],
    });
    plate.dataset.frames = turn;
    plate.dataset.sharp = String(!wanted.length && !late);
    if (late || gliding) redraw();
  };

  // One square, or what stands in for it; true when it has to be toned in a later frame.
  const place = (level, column, row, scale, until) => {
    for (let up = 0; level + up < facts.sizes.length; up++) {
      const key = `${level + up}/${column >> up}/${row >> up}`;
      const square = squares.get(key);
      if (!square) continue;
      square.turn = turn;
      let late = false;
      if (square.toning !== toning) {
        if (!square.picture || performance.now() < until) shade(square);
        else late = true;
      }
      // The part of the square seen, in its own pixels, and where it goes.
      const edge = facts.square >> up;
      const sx = (column - ((column >> up) << up)) * edge;
      const sy = (row - ((row >> up) << up)) * edge;
      const sw = Math.min(edge, square.width - sx);
      const sh = Math.min(edge, square.height - sy);
      if (sw <= 0 || sh <= 0) return late;
      const grain = 2 ** (level + up);
      const corner = [
        ((column >> up) * facts.square + sx) * grain - 0.5,
        ((row >> up) * facts.square + sy) * grain - 0.5,
      ];
      const [x, y] = at(...corner).map((v) => Math.round(v * dots()));
      const [x2, y2] = at(corner[0] + sw * grain, corner[1] + sh * grain).map((v) =>
        Math.round(v * dots()),
      );
      pen.drawImage(square.picture, sx, sy, sw, sh, x, y, x2 - x, y2 - y);
      return late;
    }
    return false;
  };

  // Pixels on their way to a square's picture; squares of one size share them.
  const scratches = new Map();
  const scratch = ({ width, height, pen: on_it }) => {
    const key = `${width} ${height}`;
    if (!scratches.has(key)) scratches.set(key, on_it.createImageData(width, height));
    return scratches.get(key);
  };

  const shade = (square) => {
    if (!square.picture) {
      square.picture = document.createElement("canvas");
      square.picture.width = square.width;
      square.picture.height = square.height;
      square.pen = square.picture.getContext("2d", { alpha: false });
    }
    const key = square.coding;
    const data = scratch(square);
    if (!tones.has(key)) tones.set(key, ViewLight.tone(facts, key, hands, look));
    const out = new Int32Array(data.data.buffer);
    ViewLight.apply(square.codes, facts.channels, tones.get(key), look.colours && !look.night, out);
    square.pen.putImageData(data, 0, 0);
    square.toning = toning;
  };

  const retone = () => {
    if (!ready) return;
    look.dark = look.negative && !look.colours; // colours have no meaning turned about
    inks = ViewMarks.inks(!look.night && !look.dark);
    tones = new Map();
    toning += 1;
    coding = ViewLight.codingFor(facts, hands);
    redraw();
  };

  // Fetching

  const bench = document.createElement("canvas");
  const benchPen = bench.getContext("2d", { willReadFrequently: true });
  const fetchSquares = (wanted) => {
    const keys = new Set(wanted.map(([key]) => key));
    for (const [key, stop] of asked) {
      if (!keys.has(key)) stop.abort();
    }
    for (const [key, level, column, row] of wanted) {
      if (asked.size >= AT_ONCE) break;
      if (!asked.has(key)) fetchSquare(key, level, column, row);
    }
  };
  const fetchSquare = async (key, level, column, row) => {
    const stop = new AbortController();
    const kind = coding;
    asked.set(key, stop);
    let gone = false;
    try {
      const address = `/view/square/${level}/${column}/${row}/${kind}?of=${of}&at=${facts.stamp}`;
      const answer = await fetch(address, { signal: stop.signal });
      if (!answer.ok) throw new Error(String(answer.status));
      const bitmap = await createImageBitmap(await answer.blob(), {
        colorSpaceConversion: "none",
        premultiplyAlpha: "none",
      });
      const { width, height } = bitmap;
      if (bench.width < width) bench.width = width;
      if (bench.height < height) bench.height = height;
      benchPen.drawImage(bitmap, 0, 0);
      bitmap.close();
      const rgba = benchPen.getImageData(0, 0, width, height).data;
      const codes = new Uint8Array(width * height * facts.channels);
      if (facts.channels === 1) for (let i = 0; i < codes.length; i++) codes[i] = rgba[4 * i];
      else
        for (let i = 0, j = 0; j < codes.length; i += 4, j += 3) {
          codes[j] = rgba[i];
          codes[j + 1] = rgba[i + 1];
          codes[j + 2] = rgba[i + 2];
        }
      const old = squares.get(key);
      const kept = old ? { picture: old.picture, pen: old.pen } : {};
      squares.set(key, { ...kept, codes, width, height, coding: kind, toning: -1, turn });
      prune();
      waiting.textContent = "";
    } catch (error) {
      if (error.name !== "AbortError") gone = true;
    }
    asked.delete(key);
    if (gone) lost();
    else redraw();
  };
  const prune = () => {
    if (squares.size <= MOST_SQUARES) return;
    const oldest = [...squares].sort((a, b) => a[1].turn - b[1].turn);
    for (const [key] of oldest.slice(0, squares.size - MOST_SQUARES)) squares.delete(key);
  };

  let retries = 0;
  const lost = () => {
    // The file may have been written anew: then its facts are others.
    if (retries++ < 3) setTimeout(open, 1500);
    else waiting.textContent = "The workbench does not answer. Is it still running?";
  };

  // What is under the pointer

  let spotWanted = null;
  let spotBusy = false;
  const askSpot = async () => {
    if (spotBusy || !spotWanted) return;
    spotBusy = true;
    const { x, y, aloud } = spotWanted;
    spotWanted = null;
    try {
      const address = `/view/spot?of=${of}&x=${x.toFixed(3)}&y=${y.toFixed(3)}`;
      const told = await (await fetch(address, { cache: "no-store" })).json();
      const place = told.ra ? `RA ${told.ra}, Dec ${told.dec}` : "";
      const words = `column ${told.x}, row ${told.y}: ${told.light}`;
      said.textContent = [words, place, starAt(x, y)].filter(Boolean).join("; ");
      if (aloud) say(said.textContent);
    } catch {
      said.textContent = "";
    }
    spotBusy = false;
    askSpot();
  };
  // The marked star under the point, if there is one.
  const starAt = (x, y) => {
    if (!marks) return "";
    const near = (stars, reach) => {
      let best = null;
      let least = reach;
      for (const star of stars) {
        const apart = Math.hypot(star[0] - x, star[1] - y);
        if (apart < least) [best, least] = [star, apart];
      }
      return best;
    };
    const found = near(marks.found, Math.max(4, 9 / view.size));
    const known = near(marks.known, Math.max(4, 9 / view.size));
    const width = found && found[2] > 0 ? `half of its light within ${(found[2] / 1.6).toFixed(1)} px` : "";
    const mag = known ? `magnitude ${known[2].toFixed(1)}` : "";
    const told = [width, mag].filter(Boolean).join(", ");
    return told ? `star: ${told}` : "";
  };
  const point = (x, y, aloud = false) => {
    spotWanted = { x, y, aloud };
    askSpot();
  };
  let saying = 0;
  const say = (text) => {
    clearTimeout(saying);
    saying = setTimeout(() => (spoken.textContent = text), 400);
  };

  // Moved: the size in words, the address that brings this view back, the lines for this part

  let later = 0;
  const moved = () => {
    const percent = 100 * view.size;
    sized.textContent = `${percent < 10 ? percent.toFixed(1) : Math.round(percent)} %`;
    redraw();
    clearTimeout(later);
    later = setTimeout(() => {
      const place = `#${view.x.toFixed(1)},${view.y.toFixed(1)},${view.size.toFixed(4)}`;
      history.replaceState(null, "", place);
      for (const link of document.querySelectorAll(".turn-back, .turn-on")) link.hash = place;
      askLines();
    }, 180);
  };
  const askLines = async () => {
    if (!on.grid || !ready) return;
    const [left, top] = under(0, 0);
    const [right, bottom] = under(wide(), high());
    const sides = Object.entries({ left, top, right, bottom });
    const query = sides.map(([name, v]) => `${name}=${v.toFixed(1)}`).join("&");
    try {
      lines = (await (await fetch(`/view/grid?of=${of}&${query}`)).json()).lines;
      redraw();
    } catch {
      lines = null;
    }
  };

  // Pointers: one drags, two pinch, a tap points, two taps go closer

  const held = new Map();
  let pinch = null;
  let dragged = false;
  let tapped = { when: 0, x: 0, y: 0 };
  const spotOf = (event) => {
    const edge = box.getBoundingClientRect();
    return [event.clientX - edge.left - box.clientLeft, event.clientY - edge.top - box.clientTop];
  };
  box.addEventListener("pointerdown", (event) => {
    if (!ready || (event.pointerType === "mouse" && event.button)) return;
    box.setPointerCapture(event.pointerId);
    held.set(event.pointerId, spotOf(event));
    dragged = held.size > 1;
    pinch = null;
  });
  box.addEventListener("pointermove", (event) => {
    if (!ready) return;
    const spot = spotOf(event);
    const before = held.get(event.pointerId);
    if (!before) {
      point(...under(...spot));
      return;
    }
    if (held.size === 1) {
      const [dx, dy] = [spot[0] - before[0], spot[1] - before[1]];
      if (!dragged && Math.hypot(dx, dy) < 4) return;
      dragged = true;
      box.classList.add("dragging");
      held.set(event.pointerId, spot);
      go({ x: view.x - dx / view.size, y: view.y - dy / view.size });
      return;
    }
    held.set(event.pointerId, spot);
    const [a, b] = [...held.values()];
    const now = { x: (a[0] + b[0]) / 2, y: (a[1] + b[1]) / 2, span: Math.hypot(a[0] - b[0], a[1] - b[1]) };
    if (pinch) {
      go({ x: view.x - (now.x - pinch.x) / view.size, y: view.y - (now.y - pinch.y) / view.size });
      resize(now.span / Math.max(pinch.span, 1), now.x, now.y);
    }
    pinch = now;
  });
  const release = (event) => {
    if (!held.delete(event.pointerId)) return;
    pinch = null;
    if (held.size) return;
    box.classList.remove("dragging");
    if (dragged || event.type === "pointercancel") return;
    const [sx, sy] = spotOf(event);
    const twice =
      event.timeStamp - tapped.when < 350 && Math.hypot(sx - tapped.x, sy - tapped.y) < 30;
    tapped = { when: twice ? 0 : event.timeStamp, x: sx, y: sy };
    if (twice) resize(2.5, sx, sy, true);
    else {
      const [x, y] = under(sx, sy);
      cross = { x, y };
      point(x, y, true);
      redraw();
    }
  };
  box.addEventListener("pointerup", release);
  box.addEventListener("pointercancel", release);
  box.addEventListener(
    "wheel",
    (event) => {
      if (!ready) return;
      event.preventDefault();
      const lines = event.deltaMode === 1 ? 16 : 1;
      resize(Math.exp(-Math.max(-240, Math.min(240, event.deltaY * lines)) * 0.0022), ...spotOf(event));
    },
    { passive: false },
  );

  // Keys and buttons

  const fill = plate.querySelector("[data-act=fill]");
  const acts = {
    smaller: () => resize(1 / STEP, undefined, undefined, true),
    larger: () => resize(STEP, undefined, undefined, true),
    whole: () => go({ size: whole(), x: 0, y: 0 }, true),
    pixels: () => {
      const to = cross || view;
      go({ size: 1 / dots(), x: to.x, y: to.y }, true);
    },
    fill: () =>
      document.fullscreenElement ? document.exitFullscreen() : plate.requestFullscreen(),
    automatic: () => {
      for (const name of Object.keys(hands)) hands[name] = 0;
      show();
      remember();
      retone();
    },
  };
  for (const button of plate.querySelectorAll("[data-act]"))
    button.addEventListener("click", () => ready && acts[button.dataset.act]());
  if (plate.requestFullscreen) fill.hidden = false;
  document.addEventListener("fullscreenchange", () =>
    fill.setAttribute("aria-pressed", String(Boolean(document.fullscreenElement))),
  );

  const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  const KEYS = { "+": "larger", "=": "larger", "-": "smaller", _: "smaller", 0: "whole", 1: "pixels" };
  box.addEventListener("keydown", (event) => {
    if (!ready || event.ctrlKey || event.metaKey || event.altKey) return;
    const way = ARROWS[event.key];
    const turned = { n: ".turn-on", p: ".turn-back" }[event.key.toLowerCase()];
    if (way && event.shiftKey) {
      const [w, h] = facts.sizes[0];
      const from = cross || view;
      cross = {
        x: Math.min(w - 1, Math.max(0, Math.round(from.x) + way[0])),
        y: Math.min(h - 1, Math.max(0, Math.round(from.y) + way[1])),
      };
      const [sx, sy] = at(cross.x, cross.y);
      if (sx < 0 || sy < 0 || sx > wide() || sy > high()) go({ x: cross.x, y: cross.y });
      point(cross.x, cross.y, true);
      redraw();
    } else if (way) {
      const reach = 0.12 / view.size;
      go({ x: view.x + way[0] * wide() * reach, y: view.y + way[1] * high() * reach }, true);
    } else if (KEYS[event.key]) acts[KEYS[event.key]]();
    else if (turned) document.querySelector(turned)?.click();
    else return;
    event.preventDefault();
  });

  // The hands of light and the marks, remembered for the next frame

  const KEPT = "slowglass-view";
  let kept_look = {};
  const remember = () => {
    // A finished picture has its own look, a grey one no colours: the choice for frames stays.
    if (!facts.finished) {
      const colours = facts.channels === 3 ? look.colours : kept_look.colours;
      kept_look = { hands: { ...hands }, colours, negative: look.negative };
    }
    try {
      sessionStorage.setItem(KEPT, JSON.stringify({ ...kept_look, on }));
    } catch {
      // A browser that keeps nothing forgets the hands between two frames; nothing else is lost.
    }
  };
  const recall = () => {
    let kept = {};
    try {
      kept = JSON.parse(sessionStorage.getItem(KEPT)) || {};
    } catch {
      // What cannot be read was not kept.
    }
    kept_look = { hands: kept.hands, colours: kept.colours, negative: kept.negative };
    Object.assign(on, kept.on);
    if (!facts.finished) Object.assign(hands, kept.hands);
    look.colours = facts.channels === 3 && (facts.finished || Boolean(kept.colours));
    look.negative = !facts.finished && kept.negative !== false;
  };
  const show = () => {
    for (const name of Object.keys(hands)) plate.querySelector(`[name=${name}]`).value = hands[name];
    plate.querySelector("[name=colours]").checked = look.colours;
    plate.querySelector("[name=negative]").checked = look.negative && !look.colours;
    for (const name of ViewMarks.KINDS) plate.querySelector(`[name=${name}]`).checked = on[name];
    plate.querySelector("[name=colours]").closest("label").hidden = facts.channels === 1;
  };
  for (const name of Object.keys(hands))
    plate.querySelector(`[name=${name}]`).addEventListener("input", (event) => {
      hands[name] = Number(event.target.value);
      remember();
      retone();
    });
  for (const name of ["colours", "negative"])
    plate.querySelector(`[name=${name}]`).addEventListener("change", (event) => {
      look[name] = event.target.checked;
      if (name === "negative" && look.negative) look.colours = false;
      show();
      remember();
      retone();
    });
  for (const name of ViewMarks.KINDS)
    plate.querySelector(`[name=${name}]`).addEventListener("change", (event) => {
      on[name] = event.target.checked;
      remember();
      askLines();
      redraw();
    });

  const unjudged = plate.querySelector(".unjudged");
  const placed = plate.querySelector(".placed");
  const askMarks = async () => {
    const told = await (await fetch(`/view/marks?of=${of}`, { cache: "no-store" })).json();
    const [w, h] = facts.sizes[0];
    marks = { ...told, middle: [(w - 1) / 2, (h - 1) / 2] };
    unjudged.hidden = told.judged;
    placed.textContent = `${told.placed[0].toUpperCase()}${told.placed.slice(1)}.`;
    askLines();
    redraw();
  };
  unjudged.addEventListener("submit", async (event) => {
    event.preventDefault();
    const button = unjudged.querySelector("button");
    button.disabled = true;
    const body = new URLSearchParams({ of: plate.dataset.of });
    const headers = { accept: "application/json" };
    let job = await (await fetch("/view/judge", { method: "POST", body, headers })).json();
    while (job.state === "waiting" || job.state === "running") {
      placed.textContent = "Looking for its stars.";
      await new Promise((go_on) => setTimeout(go_on, 400));
      job = await (await fetch(`/jobs/${job.id}/progress`, { cache: "no-store" })).json();
    }
    button.disabled = false;
    if (job.state === "done") {
      on.found = true;
      show();
      remember();
      await askMarks();
    } else placed.textContent = job.words;
  });

  // While frames come in, the newest may be followed; the part in sight stays the same

  const following = document.querySelector("[name=follow]");
  if (following) {
    following.checked = sessionStorage.getItem(`${KEPT}-follow`) === "on";
    following.addEventListener("change", () =>
      sessionStorage.setItem(`${KEPT}-follow`, following.checked ? "on" : "off"),
    );
    const look_again = async () => {
      if (following.checked) {
        try {
          const { url, ok } = await fetch("/view/newest", { method: "HEAD", cache: "no-store" });
          const newest = new URL(url).searchParams.get("of");
          if (ok && newest && newest !== plate.dataset.of) {
            location.href = url + location.hash;
            return;
          }
        } catch {
          // The watch may be starting again: the next look will tell.
        }
      }
      setTimeout(look_again, 3000);
    };
    setTimeout(look_again, 3000);
  }

  // Beginning

  const measure = () => {
    for (const sheet of [canvas, over]) {
      sheet.width = Math.round(wide() * dots());
      sheet.height = Math.round(high() * dots());
    }
    if (ready) go({});
  };
  new ResizeObserver(measure).observe(box);

  // A change of light must not flash: what is in sight is toned before it is painted.
  const relight = () => {
    look.night = document.documentElement.dataset.light === "night";
    if (!ready) return;
    retone();
    for (const square of squares.values()) shade(square);
    paint(performance.now());
  };
  new MutationObserver(relight).observe(document.documentElement, {
    attributes: true,
    attributeFilter: ["data-light"],
  });

  const open = async () => {
    let answer;
    try {
      answer = await fetch(`/view/facts?of=${of}`, { cache: "no-store" });
    } catch {
      waiting.textContent = "The workbench does not answer. Is it still running?";
      return;
    }
    if (!answer.ok) {
      waiting.textContent = (await answer.json()).words;
      return;
    }
    const first = facts === null;
    facts = await answer.json();
    squares.clear();
    if (first) recall();
    look.night = document.documentElement.dataset.light === "night";
    measure();
    ready = true;
    show();
    const place = location.hash.slice(1).split(",").map(Number);
    if (!first) go({});
    else if (place.length === 3 && place.every(Number.isFinite))
      go({ x: place[0], y: place[1], size: place[2] });
    else go({ size: whole(), x: 0, y: 0 });
    retone();
    askMarks();
  };
  document.fonts.ready.then(redraw);
  open();
}
