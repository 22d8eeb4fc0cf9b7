// Asks again for pictures that the server had no room to draw, one after the other, until each is there.
"use strict";
(() => {
  // What is asked of it once more when it has room: more are being drawn, or what it needs is set aside.
  const NOT_NOW = new Set([429, 503]);
  const WAIT_S = 5;
  const MOST_TIMES = 3;
  const missing = [];
  const times = new WeakMap();

  const pause = (seconds) => new Promise((go) => setTimeout(go, 1000 * seconds));

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
  }

  document.addEventListener("error", (event) => event.target instanceof HTMLImageElement && miss(event.target), true);
  for (const image of document.images) if (image.complete && image.src && !image.naturalWidth) miss(image);
})();
