// The squares of a picture: fetched as they come into sight, toned, drawn. What is there of a
// coarser level, or in another coding, stands in until the right one has come.
"use strict";

const ViewSquares = (() => {
  const MOST = 56; // held, at most 1.8 MB each: codes and what is shown of them
  const AT_ONCE = 6;

  // `came` is called when there is something new to draw, `lost` when a square is not given.
  const make = (facts, address, { came, lost }) => {
    const held = new Map();
    const asked = new Map();
    const scratches = new Map();
    let turn = 0; // of drawing: the squares used longest ago go first
    let toning = 0; // raised when squares have to be toned anew
    let tones = new Map();
    let hands = null;
    let look = null;
    let coding = 0;

    const retone = (newHands, newLook) => {
      [hands, look] = [newHands, newLook];
      tones = new Map();
      toning += 1;
      coding = ViewLight.codingFor(facts, hands);
    };

    // Pixels on their way to a square's picture; squares of one size share them.
    const scratch = ({ width, height, pen }) => {
      const key = `${width} ${height}`;
      if (!scratches.has(key)) scratches.set(key, pen.createImageData(width, height));
      return scratches.get(key);
    };
    const tone = (square) => {
      if (!square.picture) {
        square.picture = document.createElement("canvas");
        square.picture.width = square.width;
        square.picture.height = square.height;
        square.pen = square.picture.getContext("2d", { alpha: false });
      }
      const data = scratch(square);
      if (!tones.has(square.coding))
        tones.set(square.coding, ViewLight.tone(facts, square.coding, hands, look));
      const out = new Int32Array(data.data.buffer);
      const colours = look.colours && !look.night;
      ViewLight.apply(square.codes, facts.channels, tones.get(square.coding), colours, out);
      square.pen.putImageData(data, 0, 0);
      square.toning = toning;
    };

    // One square, or what stands in for it, put where `at` says on the screen; true when it has
    // to be toned in a later frame, since the time of this one is up.
    const draw = (pen, [level, column, row], at, until) => {
      for (let up = 0; level + up < facts.sizes.length; up++) {
        const square = held.get(`${level + up}/${column >> up}/${row >> up}`);
        if (!square) continue;
        square.turn = turn;
        let late = false;
        if (square.toning !== toning) {
          if (!square.picture || performance.now() < until) tone(square);
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
        const left = ((column >> up) * facts.square + sx) * grain - 0.5;
        const top = ((row >> up) * facts.square + sy) * grain - 0.5;
        const [x, y] = at(left, top).map(Math.round);
        const [x2, y2] = at(left + sw * grain, top + sh * grain).map(Math.round);
        pen.drawImage(square.picture, sx, sy, sw, sh, x, y, x2 - x, y2 - y);
        return late;
      }
      return false;
    };

    // All squares of a level between two corners, and the smallest level whole, which stands in
    // for everything; true when all of them are there, in the right coding and tone.
    const show = (pen, level, [left, top], [right, bottom], at, until) => {
      turn += 1;
      const wanted = [];
      let late = false;
      const middle = {};
      const each = (depth, from, to, act) => {
        const step = facts.square * 2 ** depth;
        const count = facts.sizes[depth].map((side) => Math.ceil(side / facts.square));
        const first = from.map((v) => Math.max(0, Math.floor((v + 0.5) / step)));
        const last = to.map((v, i) => Math.min(count[i] - 1, Math.floor((v + 0.5) / step)));
        middle[depth] = [(first[0] + last[0]) / 2, (first[1] + last[1]) / 2];
        for (let row = first[1]; row <= last[1]; row++)
          for (let column = first[0]; column <= last[0]; column++) act([depth, column, row]);
      };
      const want = (place) => {
        const square = held.get(place.join("/"));
        if (square) square.turn = turn;
        if (!square || square.coding !== coding) wanted.push(place);
      };
      each(level, [left, top], [right, bottom], (place) => {
        late = draw(pen, place, at, until) || late;
        want(place);
      });
      const deepest = facts.sizes.length - 1;
      if (level !== deepest) each(deepest, [0, 0], facts.sizes[0], want);
      const away = ([depth, column, row]) =>
        Math.hypot(column - middle[depth][0], row - middle[depth][1]);
      wanted.sort((a, b) => b[0] - a[0] || away(a) - away(b));
      ask(wanted);
      return { late, whole: !wanted.length && !late };
    };

    const ask = (wanted) => {
      const keys = new Set(wanted.map((place) => place.join("/")));
      for (const [key, stop] of asked) if (!keys.has(key)) stop.abort();
      for (const place of wanted) {
        if (asked.size >= AT_ONCE) break;
        if (!asked.has(place.join("/"))) bring(place);
      }
    };

    const bench = document.createElement("canvas");
    const benchPen = bench.getContext("2d", { willReadFrequently: true });
    const codesOf = async (blob) => {
      const bitmap = await createImageBitmap(blob, {
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
      return { codes, width, height };
    };
    const bring = async (place) => {
      const key = place.join("/");
      const stop = new AbortController();
      const kind = coding;
      asked.set(key, stop);
      let gone = false;
      try {
        const answer = await fetch(address(key, kind), { signal: stop.signal });
        if (!answer.ok) throw new Error(String(answer.status));
        const square = await codesOf(await answer.blob());
        const { picture, pen } = held.get(key) || {};
        held.set(key, { picture, pen, ...square, coding: kind, toning: -1, turn });
        prune();
      } catch (error) {
        gone = error.name !== "AbortError";
      }
      asked.delete(key);
      if (gone) lost();
      else came();
    };
    const prune = () => {
      if (held.size <= MOST) return;
      const oldest = [...held].sort((a, b) => a[1].turn - b[1].turn);
      for (const [key] of oldest.slice(0, held.size - MOST)) held.delete(key);
    };

    const toneAll = () => held.forEach(tone);
    return { retone, toneAll, show };
  };

  return { make };
})();
