// The hands of light and the marks wanted: what the strip under the picture says, remembered from
// one frame to the next while the window is open.
"use strict";

const ViewHands = (() => {
  const KEPT = "slowglass-view";
  const read = () => {
    try {
      return JSON.parse(sessionStorage.getItem(KEPT)) || {};
    } catch {
      return {}; // a browser that keeps nothing forgets between two frames; no more is lost
    }
  };

  // `lit` is called when the light was changed, `marked` when the marks were.
  const make = (plate, facts, { lit, marked }) => {
    const hands = { black: 0, brightness: 0, contrast: 0 };
    const look = { colours: false, negative: true, night: false, dark: true };
    const on = { found: false, known: false, objects: false, grid: false, target: true };
    const input = (name) => plate.querySelector(`[name=${name}]`);

    let kept = read();
    Object.assign(on, kept.on);
    if (!facts.finished) Object.assign(hands, kept.hands);
    look.colours = facts.channels === 3 && (facts.finished || Boolean(kept.colours));
    look.negative = !facts.finished && kept.negative !== false;

    const remember = () => {
      // A finished picture has its own look, a grey one no colours: the choice for frames stays.
      if (!facts.finished) {
        const colours = facts.channels === 3 ? look.colours : kept.colours;
        kept = { hands: { ...hands }, colours, negative: look.negative };
      }
      kept.on = { ...on };
      try {
        sessionStorage.setItem(KEPT, JSON.stringify(kept));
      } catch {
        // As above.
      }
    };
    const show = () => {
      for (const name of Object.keys(hands)) input(name).value = hands[name];
      for (const name of Object.keys(on)) input(name).checked = on[name];
      input("colours").checked = look.colours;
      input("colours").closest("label").hidden = facts.channels === 1;
      input("negative").checked = look.dark;
    };
    const settle = () => {
      look.night = document.documentElement.dataset.light === "night";
      look.dark = look.negative && !look.colours; // colours have no meaning turned about
      show();
    };
    const changed = (tell) => {
      settle();
      remember();
      tell();
    };

    for (const name of Object.keys(hands))
      input(name).addEventListener("input", (event) => {
        hands[name] = Number(event.target.value);
        changed(lit);
      });
    for (const name of ["colours", "negative"])
      input(name).addEventListener("change", (event) => {
        look[name] = event.target.checked;
        if (name === "negative" && look.negative) look.colours = false;
        changed(lit);
      });
    for (const name of Object.keys(on))
      input(name).addEventListener("change", (event) => {
        on[name] = event.target.checked;
        changed(marked);
      });
    const automatic = () => {
      for (const name of Object.keys(hands)) hands[name] = 0;
      changed(lit);
    };
    const put = (name) => {
      on[name] = true;
      changed(marked);
    };
    settle();
    return { hands, look, on, settle, automatic, put };
  };

  return { make };
})();
