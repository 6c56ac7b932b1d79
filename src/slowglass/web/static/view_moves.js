// Pointers, wheel and keys on the picture. One finger drags, two pinch, a tap points, two taps go
// closer; every way with a pointer has a key.
"use strict";

const ViewMoves = (() => {
  const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  const KEYS = { "+": "larger", "=": "larger", "-": "smaller", _: "smaller", 0: "whole", 1: "pixels" };
  const TURNS = { n: ".turn-on", p: ".turn-back" };
  const STILL_PX = 4;
  const TWICE_MS = 350;

  // `by` moves the picture: pan(dx, dy), resize(factor, x, y, glide), hover(x, y), tap(x, y),
  // step(dx, dy) of the cross, acts by name; all in pixels of the screen but the step.
  const make = (box, by) => {
    const held = new Map();
    let pinch = null;
    let dragged = false;
    let tapped = { when: 0, x: 0, y: 0 };
    const spotOf = (event) => {
      const edge = box.getBoundingClientRect();
      return [event.clientX - edge.left - box.clientLeft, event.clientY - edge.top - box.clientTop];
    };

    box.addEventListener("pointerdown", (event) => {
      if (event.pointerType === "mouse" && event.button) return;
      box.setPointerCapture(event.pointerId);
      held.set(event.pointerId, spotOf(event));
      dragged = held.size > 1;
      pinch = null;
    });
    box.addEventListener("pointermove", (event) => {
      const spot = spotOf(event);
      const before = held.get(event.pointerId);
      if (!before) {
        by.hover(...spot);
        return;
      }
      if (held.size === 1) {
        const [dx, dy] = [spot[0] - before[0], spot[1] - before[1]];
        if (!dragged && Math.hypot(dx, dy) < STILL_PX) return;
        dragged = true;
        box.classList.add("dragging");
        held.set(event.pointerId, spot);
        by.pan(dx, dy);
        return;
      }
      held.set(event.pointerId, spot);
      const [a, b] = [...held.values()];
      const now = {
        x: (a[0] + b[0]) / 2,
        y: (a[1] + b[1]) / 2,
        span: Math.hypot(a[0] - b[0], a[1] - b[1]),
      };
      if (pinch) {
        by.pan(now.x - pinch.x, now.y - pinch.y);
        by.resize(now.span / Math.max(pinch.span, 1), now.x, now.y);
      }
      pinch = now;
    });
    const release = (event) => {
      if (!held.delete(event.pointerId)) return;
      pinch = null;
      if (held.size) return;
      box.classList.remove("dragging");
      if (dragged || event.type === "pointercancel") return;
      const [x, y] = spotOf(event);
      const twice =
        event.timeStamp - tapped.when < TWICE_MS && Math.hypot(x - tapped.x, y - tapped.y) < 30;
      tapped = { when: twice ? 0 : event.timeStamp, x, y };
      if (twice) by.resize(2.5, x, y, true);
      else by.tap(x, y);
    };
    box.addEventListener("pointerup", release);
    box.addEventListener("pointercancel", release);
    box.addEventListener(
      "wheel",
      (event) => {
        event.preventDefault();
        const way = event.deltaY * (event.deltaMode === 1 ? 16 : 1);
        by.resize(Math.exp(-Math.max(-240, Math.min(240, way)) * 0.0022), ...spotOf(event));
      },
      { passive: false },
    );
    box.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const way = ARROWS[event.key];
      const turned = TURNS[event.key.toLowerCase()];
      if (way && event.shiftKey) by.step(...way);
      else if (way) by.pan(-0.12 * box.clientWidth * way[0], -0.12 * box.clientHeight * way[1], true);
      else if (KEYS[event.key]) by.acts[KEYS[event.key]]();
      else if (turned) document.querySelector(turned)?.click();
      else return;
      event.preventDefault();
    });
  };

  return { make };
})();
