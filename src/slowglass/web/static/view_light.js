// From the codes of a square to the screen: the curve of the whole workbench, with the three hands
// of frame/adjust.py. The server does the same for its own pictures; tests hold both together.
"use strict";

const ViewLight = (() => {
  const FINE = 8192;
  const toLinear = (v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
  const toScreen = (x) =>
    x <= 0.0031308 ? 12.92 * Math.max(x, 0) : 1.055 * Math.min(x, 1) ** (1 / 2.4) - 0.055;
  const clip = (v) => Math.min(1, Math.max(0, v));

  // Screen codes of linear light 0–1, finer than the eye at the dark end.
  const screenOf = new Uint8ClampedArray(FINE + 1);
  for (let i = 0; i <= FINE; i++) screenOf[i] = Math.round(255 * toScreen(i / FINE));

  // Light counted from the sky for each of the 256 codes.
  const lightOf = (coding) =>
    Float64Array.from({ length: 256 }, (_, code) => {
      const share = code / 255;
      if (!coding.soft) return toLinear(share) * coding.high;
      return coding.soft * Math.sinh(coding.low + share * (coding.high - coding.low));
    });

  const adjusted = (facts, hands) => {
    const { black, soft, white } = facts.stretch;
    const below = Math.max(...facts.sky.map((sky, c) => sky - black[c]));
    return {
      black: black.map((b) => b + (below * hands.black) / 25),
      soft: soft * 2 ** (-hands.contrast / 20),
      white: white * 2 ** (-hands.brightness / 12.5),
    };
  };

  // The coding that resolves best what the stretch shows: the nearest softening.
  const codingFor = (facts, hands) => {
    const wanted = Math.log(adjusted(facts, hands).soft);
    let best = 0;
    facts.codings.forEach((coding, k) => {
      const here = Math.abs(Math.log(coding.soft || 1) - wanted);
      if (here < Math.abs(Math.log(facts.codings[best].soft || 1) - wanted)) best = k;
    });
    return best;
  };

  const finishedShade = (light, hands) => {
    const x = light - hands.black / 2000;
    const shade = toScreen(Math.min(1, Math.max(x, 0) * 2 ** (hands.brightness / 25)));
    return clip(0.5 + (shade - 0.5) * 2 ** (hands.contrast / 50));
  };

  // A grey as the sheet shows it: red only by night, ink on paper or a bright picture by day.
  const greyOf = (look) => (v) => {
    if (look.night) return [Math.round(255 * v), 0, 0];
    if (!look.dark) return [v, v, v].map((one) => Math.round(255 * one));
    return [253 - 225 * v, 250 - 222 * v, 241 - 217 * v].map(Math.round);
  };
  const packed = ([r, g, b]) => (255 << 24) | (b << 16) | (g << 8) | r;

  // The tone of one look at one picture: tables made once, applied to every square.
  const tone = (facts, coding, hands, look) => {
    const light = lightOf(facts.codings[coding]);
    const grey = greyOf(look);
    if (facts.finished) {
      const shade = light.map((x) => finishedShade(x / facts.white, hands));
      const codes = Uint8Array.from(shade, (v) => Math.round(255 * v));
      const greys = new Int32Array(766);
      for (let sum = 0; sum <= 765; sum++) greys[sum] = packed(grey(sum / 765));
      return { finished: true, codes, greys };
    }
    const { black, soft, white } = adjusted(facts, hands);
    const scale = 1 / Math.asinh(white / soft);
    const shadeOf = (x) => Math.min(1, Math.asinh(Math.max(x, 0) / soft) * scale);
    if (facts.channels === 1) {
      const above = facts.sky[0] - black[0];
      return { greys: Int32Array.from(light, (x) => packed(grey(shadeOf(x + above)))) };
    }
    const above = facts.sky.map((sky, c) => Float32Array.from(light, (x) => x + sky - black[c]));
    // The curve over the mean of the channels, finer near black where it is steep.
    const knee = Math.min(white, 8 * soft);
    const fine = new Float32Array(FINE + 1);
    const coarse = new Float32Array(FINE + 1);
    for (let i = 0; i <= FINE; i++) {
      fine[i] = shadeOf((knee * i) / FINE);
      coarse[i] = shadeOf((white * i) / FINE);
    }
    const greys = new Int32Array(1025);
    for (let i = 0; i <= 1024; i++) greys[i] = packed(grey(i / 1024));
    const linear = Float32Array.from({ length: FINE + 1 }, (_, i) => toLinear(i / FINE));
    return { above, knee, white, fine, coarse, linear, greys };
  };

  // Codes (a plane, or three interleaved) to RGBA pixels packed in 32 bits.
  const apply = (codes, channels, tones, colours, out) => {
    if (channels === 1) {
      const { greys, codes: shade } = tones;
      if (tones.finished) for (let i = 0; i < out.length; i++) out[i] = greys[3 * shade[codes[i]]];
      else for (let i = 0; i < out.length; i++) out[i] = greys[codes[i]];
      return;
    }
    if (tones.finished) {
      const { codes: shade, greys } = tones;
      for (let i = 0, j = 0; i < out.length; i++, j += 3) {
        const r = shade[codes[j]];
        const g = shade[codes[j + 1]];
        const b = shade[codes[j + 2]];
        out[i] = colours ? (255 << 24) | (b << 16) | (g << 8) | r : greys[r + g + b];
      }
      return;
    }
    const { above, knee, white, fine, coarse, linear, greys } = tones;
    const [red, green, blue] = above;
    for (let i = 0, j = 0; i < out.length; i++, j += 3) {
      let r = red[codes[j]];
      let g = green[codes[j + 1]];
      let b = blue[codes[j + 2]];
      const mean = (r + g + b) / 3;
      let shade = 1;
      if (mean <= 0) shade = 0;
      else if (mean < knee) shade = fine[((mean / knee) * FINE + 0.5) | 0];
      else if (mean < white) shade = coarse[((mean / white) * FINE + 0.5) | 0];
      if (!colours) {
        out[i] = greys[(shade * 1024 + 0.5) | 0];
        continue;
      }
      r = r > 0 ? r : 0;
      g = g > 0 ? g : 0;
      b = b > 0 ? b : 0;
      const level = (r + g + b) / 3;
      const factor = level > 0 ? linear[(shade * FINE + 0.5) | 0] / level : 0;
      r *= factor;
      g *= factor;
      b *= factor;
      const most = Math.max(r, g, b, 1);
      const share = FINE / most;
      out[i] =
        (255 << 24) |
        (screenOf[(b * share + 0.5) | 0] << 16) |
        (screenOf[(g * share + 0.5) | 0] << 8) |
        screenOf[(r * share + 0.5) | 0];
    }
  };

  return { adjusted, codingFor, tone, apply };
})();
