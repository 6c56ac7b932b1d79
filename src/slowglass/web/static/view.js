// The picture in full size: where it stands in its window, what is under the pointer, what is
// asked of the server. Squares, tones, marks, hands and moves have files of their own.
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
  const SILENT = "The workbench does not answer. Is it still running?";

  const BUDGET_MS = 7; // of each frame, for toning squares
  const GLIDE_MS = 170;
  const LARGEST = 32;
  const STEP = 1.6;

  let facts = null;
  let squares = null; // there once the picture is open
  let told = null; // hands, look and marks wanted
  let marks = null;
  let lines = null;
  let cross = null;
  let inks = null;
  let drawn = 0;
  const view = { x: 0, y: 0, size: 1 }; // picture point in the middle, CSS px a picture pixel

  const json = async (what, query = "") =>
    (await fetch(`/view/${what}?of=${of}${query}`, { cache: "no-store" })).json();

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
  const allowed = (size) => Math.min(LARGEST, Math.max(Math.min(1, whole()), size));

  const settle = (to) => {
    const [w, h] = facts.sizes[0];
    to.size = allowed(to.size);
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
    if (!squares) return;
    const goal = settle({ ...view, ...to });
    gliding = null;
    if (glide && !still.matches) gliding = { from: { ...view }, goal, since: performance.now() };
    else Object.assign(view, goal);
    moved();
  };
  const pan = (dx, dy, glide = false) =>
    go({ x: view.x - dx / view.size, y: view.y - dy / view.size }, glide);
  // The picture point under (sx, sy) stays there.
  const resize = (factor, sx = wide() / 2, sy = high() / 2, glide = false) => {
    if (!squares) return;
    const start = gliding ? gliding.goal : view;
    const size = allowed(start.size * factor);
    const [ox, oy] = [sx - wide() / 2, sy - high() / 2];
    const [x, y] = [start.x + ox / start.size - ox / size, start.y + oy / start.size - oy / size];
    go({ x, y, size }, glide);
  };
  const glideOn = (now) => {
    const t = Math.min(1, Math.max(0, (now - gliding.since) / GLIDE_MS));
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
    if (!squares) return;
    if (gliding) glideOn(now);
    const scale = view.size * dots();
    const deepest = facts.sizes.length - 1;
    const level = Math.min(deepest, Math.max(0, Math.floor(-Math.log2(scale) + 1e-6)));
    const dot = (x, y) => at(x, y).map((v) => v * dots());
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.fillStyle = inks.plate;
    pen.fillRect(0, 0, canvas.width, canvas.height);
    pen.imageSmoothingEnabled = scale < 1;
    pen.save();
    pen.beginPath();
    pen.rect(...dot(-0.5, -0.5), facts.sizes[0][0] * scale, facts.sizes[0][1] * scale);
    pen.clip();
    const until = performance.now() + BUDGET_MS;
    const corners = [under(0, 0), under(wide(), high())];
    const state = squares.show(pen, level, ...corners, dot, until);
    pen.restore();
    ink.setTransform(dots(), 0, 0, dots(), 0, 0);
    ViewMarks.draw(ink, {
      marks, lines, on: told.on, at, scale: view.size, width: wide(), height: high(), ink: inks,
      cross, size: facts.sizes[0],
    });
    drawn += 1;
    plate.dataset.frames = drawn;
    plate.dataset.sharp = String(state.whole);
    if (state.late || gliding) redraw();
  };

  const retone = () => {
    inks = ViewMarks.inks(!told.look.night && !told.look.dark);
    squares.retone(told.hands, told.look);
    redraw();
  };
  // A change of light must not flash: what is in sight is toned before it is painted.
  const relight = () => {
    if (!squares) return;
    told.settle();
    retone();
    squares.toneAll();
    paint(performance.now());
  };
  new MutationObserver(relight).observe(document.documentElement, {
    attributes: true,
    attributeFilter: ["data-light"],
  });

  // What is under the pointer

  let spotWanted = null;
  let spotBusy = false;
  const askSpot = async () => {
    if (spotBusy || !spotWanted) return;
    spotBusy = true;
    const { x, y, aloud } = spotWanted;
    spotWanted = null;
    try {
      const spot = await json("spot", `&x=${x.toFixed(3)}&y=${y.toFixed(3)}`);
      const place = spot.ra ? `RA ${spot.ra}, Dec ${spot.dec}` : "";
      const words = `column ${spot.x}, row ${spot.y}: ${spot.light}`;
      const star = marks ? ViewMarks.starAt(marks, x, y, view.size) : "";
      said.textContent = [words, place, star].filter(Boolean).join("; ");
      if (aloud) say(said.textContent);
    } catch {
      said.textContent = "";
    }
    spotBusy = false;
    askSpot();
  };
  const point = (x, y, aloud = false) => {
    if (!squares) return;
    spotWanted = { x, y, aloud };
    askSpot();
  };
  let saying = 0;
  const say = (text) => {
    clearTimeout(saying);
    saying = setTimeout(() => (spoken.textContent = text), 400);
  };
  const putCross = (x, y) => {
    if (!squares) return;
    cross = { x, y };
    point(x, y, true);
    redraw();
  };
  const stepCross = (dx, dy) => {
    if (!squares) return;
    const [w, h] = facts.sizes[0];
    const from = cross || view;
    const x = Math.min(w - 1, Math.max(0, Math.round(from.x) + dx));
    const y = Math.min(h - 1, Math.max(0, Math.round(from.y) + dy));
    const [sx, sy] = at(x, y);
    if (sx < 0 || sy < 0 || sx > wide() || sy > high()) go({ x, y });
    putCross(x, y);
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
    if (!told.on.grid) return;
    const [left, top] = under(0, 0);
    const [right, bottom] = under(wide(), high());
    const sides = Object.entries({ left, top, right, bottom });
    try {
      const query = sides.map(([name, v]) => `&${name}=${v.toFixed(1)}`).join("");
      lines = (await json("grid", query)).lines;
    } catch {
      lines = null;
    }
    redraw();
  };
  const askMarks = async () => {
    let found;
    try {
      found = await json("marks");
    } catch {
      placed.textContent = SILENT;
      return;
    }
    const [w, h] = facts.sizes[0];
    marks = { ...found, middle: [(w - 1) / 2, (h - 1) / 2] };
    unjudged.hidden = found.judged;
    placed.textContent = `${found.placed[0].toUpperCase()}${found.placed.slice(1)}.`;
    askLines();
    redraw();
  };

  // Buttons, keys and pointers

  const fill = plate.querySelector("[data-act=fill]");
  const acts = {
    smaller: () => resize(1 / STEP, undefined, undefined, true),
    larger: () => resize(STEP, undefined, undefined, true),
    whole: () => squares && go({ size: whole(), x: 0, y: 0 }, true),
    pixels: () => go({ ...(cross || {}), size: 1 / dots() }, true),
    fill: () =>
      document.fullscreenElement ? document.exitFullscreen() : plate.requestFullscreen(),
    automatic: () => told?.automatic(),
  };
  for (const button of plate.querySelectorAll("[data-act]"))
    button.addEventListener("click", () => acts[button.dataset.act]());
  if (plate.requestFullscreen) fill.hidden = false;
  document.addEventListener("fullscreenchange", () =>
    fill.setAttribute("aria-pressed", String(Boolean(document.fullscreenElement))),
  );
  ViewMoves.make(box, {
    pan,
    resize,
    acts,
    hover: (sx, sy) => point(...under(sx, sy)),
    tap: (sx, sy) => putCross(...under(sx, sy)),
    step: stepCross,
  });

  const unjudged = plate.querySelector(".unjudged");
  const placed = plate.querySelector(".placed");
  unjudged.addEventListener("submit", async (event) => {
    event.preventDefault();
    const button = unjudged.querySelector("button");
    button.disabled = true;
    const body = new URLSearchParams({ of: plate.dataset.of });
    const headers = { accept: "application/json" };
    try {
      let job = await (await fetch("/view/judge", { method: "POST", body, headers })).json();
      while (job.state === "waiting" || job.state === "running") {
        placed.textContent = "Looking for its stars.";
        await new Promise((goOn) => setTimeout(goOn, 400));
        job = await (await fetch(`/jobs/${job.id}/progress`, { cache: "no-store" })).json();
      }
      if (job.state === "done") {
        told.put("found");
        await askMarks();
      } else placed.textContent = job.words;
    } catch {
      placed.textContent = SILENT;
    }
    button.disabled = false;
  });

  // While frames come in, the newest may be followed; the part in sight stays the same

  const following = document.querySelector("[name=follow]");
  if (following) {
    const KEPT = "slowglass-view-follow";
    following.checked = sessionStorage.getItem(KEPT) === "on";
    following.addEventListener("change", () =>
      sessionStorage.setItem(KEPT, following.checked ? "on" : "off"),
    );
    const lookAgain = async () => {
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
      setTimeout(lookAgain, 3000);
    };
    setTimeout(lookAgain, 3000);
  }

  // Beginning

  const measure = () => {
    for (const sheet of [canvas, over]) {
      sheet.width = Math.round(wide() * dots());
      sheet.height = Math.round(high() * dots());
    }
    go({});
  };
  new ResizeObserver(measure).observe(box);

  let retries = 0;
  const open = async () => {
    let answer;
    try {
      answer = await fetch(`/view/facts?of=${of}`, { cache: "no-store" });
    } catch {
      waiting.textContent = SILENT;
      return;
    }
    facts = await answer.json();
    if (!answer.ok) {
      waiting.textContent = facts.words;
      return;
    }
    const first = squares === null;
    const address = (key, coding) => `/view/square/${key}/${coding}?of=${of}&at=${facts.stamp}`;
    squares = ViewSquares.make(facts, address, {
      came: () => {
        waiting.textContent = "";
        redraw();
      },
      lost: () => {
        // The file may have been written anew: then its facts are others.
        if (retries++ < 3) setTimeout(open, 1500);
        else waiting.textContent = SILENT;
      },
    });
    told ??= ViewHands.make(plate, facts, { lit: retone, marked: askLinesAndDraw });
    retone();
    measure();
    const place = location.hash.slice(1).split(",").map(Number);
    if (first && place.length === 3 && place.every(Number.isFinite))
      go({ x: place[0], y: place[1], size: place[2] });
    else if (first) go({ size: whole(), x: 0, y: 0 });
    askMarks();
  };
  const askLinesAndDraw = () => {
    askLines();
    redraw();
  };
  document.fonts.ready.then(redraw);
  open();
}
