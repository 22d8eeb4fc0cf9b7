// Asks again for pictures that the server had no room to draw, one after the other, until each is there; and says how
// many are not there yet, where that takes longer than a moment.
"use strict";
(() => {
  // What is asked of it once more when it has room: more are being drawn, or what it needs is set aside.
  const NOT_NOW = new Set([429, 503]);
  const WAIT_S = 5;
  const MOST_TIMES = 3;
  const SLOW_S = 2;
  const TOLD_EVERY_S = 0.5;
  const missing = [];
  const times = new WeakMap();
  const told = document.createElement("p");
  told.className = "drawing";
  told.setAttribute("role", "status");
  let watched = false;

  const pause = (seconds) => new Promise((go) => setTimeout(go, 1000 * seconds));

  // One that is only asked for when it comes into sight is not missed before.
  const isAsked = (image) => image.loading !== "lazy" || image.getBoundingClientRect().top < window.innerHeight;
  const isMissing = (image) => missing.includes(image) || (image.src && !image.complete && isAsked(image));

  async function watch() {
    if (watched) return;
    watched = true;
    await pause(SLOW_S);
    for (let left; (left = [...document.images].filter(isMissing).length); await pause(TOLD_EVERY_S)) {
      told.textContent = document.documentElement.dataset.drawing.replace("{left}", left);
      if (!told.isConnected) document.body.append(told);
    }
    told.remove();
    watched = false;
  }

  // How long to wait before it is asked for again, seconds; 0 where it is there now, or never will be.
  async function ask(address) {
    try {
      const answer = await fetch(address);
      await answer.arrayBuffer();
      return NOT_NOW.has(answer.status) ? Number(answer.headers.get("Retry-After")) || WAIT_S : 0;
    } catch {
      return WAIT_S;
    }
  }

  async function askAgain() {
    while (missing.length) {
      const image = missing[0];
      const address = image.src;
      const wait = image.isConnected ? await ask(address) : 0;
      if (wait) {
        await pause(wait);
        continue;
      }
      missing.shift();
      if (image.isConnected && image.src === address) image.src = address;
    }
  }

  function miss(image) {
    const before = times.get(image) ?? 0;
    if (before === MOST_TIMES || missing.includes(image)) return;
    times.set(image, before + 1);
    missing.push(image);
    if (missing.length === 1) askAgain();
    watch();
  }

  document.addEventListener("error", (event) => event.target instanceof HTMLImageElement && miss(event.target), true);
  for (const image of document.images) if (image.complete && image.src && !image.naturalWidth) miss(image);
  watch();
})();
