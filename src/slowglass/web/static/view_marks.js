// What goes over the picture, drawn in ink at the size of the screen. Places come from the server.
"use strict";

const ViewMarks = (() => {
  const SMALLEST = 5;
  const ROOM_PX = 1600; // of the screen for each circle: more hide the picture
  // On a bright picture by day the marks are light.
  const LIGHT = {
    found: "#f2b98f", known: "#a8d8f5", target: "#ff9a8a", ink: "#fdfaf1", soft: "#cfc5ae",
    sheet: "#14110d",
  };

  // `at(x, y)` gives the place on the screen of a point of the picture.
  const draw = (pen, { marks, lines, on, at, scale, width, height, ink, cross, size }) => {
    pen.clearRect(0, 0, width, height);
    const seen = (x, y, reach) =>
      x > -reach && y > -reach && x < width + reach && y < height + reach;
    pen.font = `italic 16px ${ink.font}`;
    pen.lineJoin = "round";
    pen.textBaseline = "middle";

    const word = (text, x, y, colour, align = "center") => {
      pen.textAlign = align;
      pen.strokeStyle = ink.sheet;
      pen.lineWidth = 3.5;
      pen.strokeText(text, x, y);
      pen.fillStyle = colour;
      pen.fillText(text, x, y);
    };
    const path = (points, closed) => {
      pen.beginPath();
      points.forEach(([x, y], i) => {
        const [sx, sy] = at(x, y);
        if (i) pen.lineTo(sx, sy);
        else pen.moveTo(sx, sy);
      });
      if (closed) pen.closePath();
      pen.stroke();
    };
    const tip = (x, y, dx, dy, size) => {
      pen.beginPath();
      pen.moveTo(x, y);
      pen.lineTo(x - size * dx + 0.5 * size * dy, y - size * dy - 0.5 * size * dx);
      pen.lineTo(x - size * dx - 0.5 * size * dy, y - size * dy + 0.5 * size * dx);
      pen.closePath();
      pen.fill();
    };

    if (on.grid && lines) {
      const [left, top] = at(-0.5, -0.5);
      const [right, bottom] = at(size[0] - 0.5, size[1] - 0.5);
      pen.save();
      pen.beginPath();
      pen.rect(left, top, right - left, bottom - top);
      pen.clip();
      pen.strokeStyle = ink.soft;
      pen.lineWidth = 1;
      for (const line of lines) path(line.points, false);
      pen.restore();
      // Named where the line meets the edge, at the end nearer to the top left; not over another.
      const edge = [Math.max(0, left), Math.max(0, top), Math.min(width, right), Math.min(height, bottom)];
      const taken = [];
      for (const line of lines) {
        const inside = line.points
          .map(([x, y]) => at(x, y))
          .filter(([x, y]) => x >= edge[0] && y >= edge[1] && x <= edge[2] && y <= edge[3]);
        if (!inside.length) continue;
        const ends = [inside[0], inside[inside.length - 1]];
        const [x, y] = ends[0][0] + ends[0][1] < ends[1][0] + ends[1][1] ? ends[0] : ends[1];
        const half = pen.measureText(line.label).width / 2 + 6;
        const spot = [
          Math.min(edge[2] - half, Math.max(edge[0] + half, x)),
          Math.min(edge[3] - 13, Math.max(edge[1] + 13, y)),
        ];
        const clash = taken.some(
          ([a, b, wide]) => Math.abs(a - spot[0]) < wide + half && Math.abs(b - spot[1]) < 18,
        );
        if (clash) continue;
        taken.push([...spot, half]);
        word(line.label, ...spot, ink.soft);
      }
    }
    if (on.found && marks) {
      pen.strokeStyle = ink.found;
      pen.lineWidth = 1.2;
      pen.beginPath();
      // The brightest come first.
      let left = Math.max(40, (Math.min(width, size[0] * scale) * Math.min(height, size[1] * scale)) / ROOM_PX);
      for (const [px, py, hfd] of marks.found) {
        const [x, y] = at(px, py);
        const r = Math.max(SMALLEST, 1.6 * hfd * scale);
        if (!seen(x, y, r)) continue;
        if (left-- < 0) break;
        pen.moveTo(x + r, y);
        pen.arc(x, y, r, 0, 2 * Math.PI);
      }
      pen.stroke();
    }
    if (on.known && marks) {
      pen.strokeStyle = ink.known;
      pen.lineWidth = 1.6;
      pen.beginPath();
      const gap = Math.max(7, 4 * scale);
      for (const [px, py] of marks.known) {
        const [x, y] = at(px, py);
        if (!seen(x, y, 20)) continue;
        for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
          pen.moveTo(x + gap * dx, y + gap * dy);
          pen.lineTo(x + (gap + 6) * dx, y + (gap + 6) * dy);
        }
      }
      pen.stroke();
    }
    if (on.objects && marks) {
      pen.strokeStyle = ink.known;
      pen.lineWidth = 1.4;
      const taken = [];
      for (const one of marks.objects) {
        const [x, y] = at(one.x_px, one.y_px);
        if (one.outline.length) path(one.outline, true);
        const up = one.outline.length
          ? Math.max(...one.outline.map(([ox, oy]) => y - at(ox, oy)[1]))
          : 6;
        const spot = [x, up > height / 2 ? y : y - up - 10];
        const clash = taken.some(([a, b]) => Math.abs(a - x) < 76 && Math.abs(b - spot[1]) < 16);
        if (!seen(x, spot[1], 60) || clash) continue;
        taken.push(spot);
        word(one.name, spot[0], spot[1], ink.known);
      }
    }
    if (on.target && marks && marks.target) target(marks);
    if (marks && marks.north && (on.grid || on.target)) compass(marks);
    if (cross) {
      const [x, y] = at(cross.x, cross.y);
      pen.strokeStyle = ink.sheet;
      for (const [wide, colour] of [[4, ink.sheet], [1.5, ink.target]]) {
        pen.lineWidth = wide;
        pen.strokeStyle = colour;
        pen.beginPath();
        for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
          pen.moveTo(x + 5 * dx, y + 5 * dy);
          pen.lineTo(x + 16 * dx, y + 16 * dy);
        }
        pen.stroke();
      }
    }

    function target({ target: [tx, ty], target_name: name, outline, middle }) {
      pen.strokeStyle = pen.fillStyle = ink.target;
      pen.lineWidth = 2;
      pen.setLineDash([7, 5]);
      if (outline.length) path(outline, true);
      pen.setLineDash([]);
      const [x, y] = at(tx, ty);
      if (seen(x, y, 0)) {
        // From the middle of the picture, where the tube points, to where it should.
        const [mx, my] = at(middle[0], middle[1]);
        const length = Math.hypot(x - mx, y - my);
        if (length > 24) {
          const [dx, dy] = [(x - mx) / length, (y - my) / length];
          pen.lineWidth = 2.4;
          pen.beginPath();
          pen.moveTo(mx, my);
          pen.lineTo(x - 8 * dx, y - 8 * dy);
          pen.stroke();
          tip(x, y, dx, dy, 13);
        }
        word(name, x, Math.min(height - 12, y + 18), ink.target);
        return;
      }
      // Out of sight: an arrow at the edge says which way.
      const [cx, cy] = [width / 2, height / 2];
      const length = Math.hypot(x - cx, y - cy);
      const [dx, dy] = [(x - cx) / length, (y - cy) / length];
      const reach = Math.min(
        (cx - 30) / Math.max(Math.abs(dx), 1e-9),
        (cy - 30) / Math.max(Math.abs(dy), 1e-9),
      );
      const [ex, ey] = [cx + dx * reach, cy + dy * reach];
      pen.lineWidth = 2.6;
      pen.beginPath();
      pen.moveTo(ex - 46 * dx, ey - 46 * dy);
      pen.lineTo(ex - 8 * dx, ey - 8 * dy);
      pen.stroke();
      tip(ex, ey, dx, dy, 14);
      word(name, ex - 66 * dx, ey - 66 * dy, ink.target);
    }

    function compass({ north, east }) {
      const [cx, cy] = [width - 46, height - 46];
      pen.strokeStyle = pen.fillStyle = ink.ink;
      pen.lineWidth = 1.6;
      for (const [[dx, dy], name] of [[north, "N"], [east, "E"]]) {
        pen.strokeStyle = pen.fillStyle = ink.ink;
        pen.lineWidth = 1.6;
        pen.beginPath();
        pen.moveTo(cx, cy);
        pen.lineTo(cx + 20 * dx, cy + 20 * dy);
        pen.stroke();
        tip(cx + 24 * dx, cy + 24 * dy, dx, dy, 8);
        word(name, cx + 35 * dx, cy + 35 * dy, ink.ink);
      }
    }
  };

  const inks = (bright) => {
    const style = getComputedStyle(document.documentElement);
    const of = (name) => style.getPropertyValue(name).trim();
    const font = getComputedStyle(document.body).fontFamily;
    if (bright) return { ...LIGHT, plate: LIGHT.sheet, font };
    return {
      found: of("--mark-found"),
      known: of("--mark-known"),
      target: of("--mark-target"),
      ink: of("--ink"),
      soft: of("--soft"),
      sheet: of("--sheet"),
      plate: of("--plate"),
      font,
    };
  };

  // The marked star under a point of the picture in words, "" for none.
  const starAt = (marks, x, y, scale) => {
    const near = (stars) => {
      let best = null;
      let least = Math.max(4, 9 / scale);
      for (const star of stars) {
        const apart = Math.hypot(star[0] - x, star[1] - y);
        if (apart < least) [best, least] = [star, apart];
      }
      return best;
    };
    const [found, known] = [near(marks.found), near(marks.known)];
    const told = [];
    if (found && found[2] > 0) told.push(`half-flux diameter ${found[2].toFixed(1)} px`);
    if (known) told.push(`magnitude ${known[2].toFixed(1)}`);
    return told.length ? `star: ${told.join(", ")}` : "";
  };

  return { draw, inks, starAt };
})();
