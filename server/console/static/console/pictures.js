// Asks again for pictures that the server had no room to draw, one after the other, until each is there; and says how
// many are not there yet, where that takes longer than a moment.
"use strict";
(() => {
  // What is asked of it once more when it has room: more are being drawn, or what it needs is set aside.
  const NOT_NOW = new Set([429, 503]);
  const WAIT_S = 5;
  const MOST_ASKED = 30;
  const MOST_TIMES = 3;
  const SLOW_S = 2;
  const TOLD_EVERY_S = 0.5;
  // Each an image, the address that it had, and how often that was asked for in vain.
  const missing = [];
  // Of an image, the address that it had last and how often that failed.
  const failures = new WeakMap();
  const told = document.createElement("p");
  told.className = "drawing";
  told.setAttribute("role", "status");
  let watched = false;

  const pause = (seconds) => new Promise((go) => setTimeout(go, 1000 * seconds));

  // Pictures stand in pages, and within drawings.
  const isDrawn = (image) => image instanceof SVGImageElement;
  const isPicture = (element) => element instanceof HTMLImageElement || isDrawn(element);
  const addressOf = (image) => (isDrawn(image) ? image.href.baseVal : image.src);
  const isWanted = (one) => one.image.isConnected && addressOf(one.image) === one.address;

  // One that is only asked for when it comes into sight is not missed before.
  const isAsked = (image) => image.loading !== "lazy" || image.getBoundingClientRect().top < window.innerHeight;
  const isComing = (image) => image.src && !image.complete && isAsked(image);
  const left = () => new Set([...missing.map((one) => one.image), ...[...document.images].filter(isComing)]).size;

  async function watch() {
    if (watched) return;
    watched = true;
    await pause(SLOW_S);
    for (let count; (count = left()); await pause(TOLD_EVERY_S)) {
      told.textContent = document.body.dataset.drawing.replace("{left}", count);
      if (!told.isConnected) document.body.append(told);
    }
    told.remove();
    watched = false;
  }

  // Whether it is there now, and else how long to wait before it is asked for again, seconds; 0 where it never will be.
  async function ask(address) {
    try {
      const answer = await fetch(address);
      await answer.arrayBuffer();
      const wait = NOT_NOW.has(answer.status) ? Number(answer.headers.get("Retry-After")) || WAIT_S : 0;
      return { isThere: answer.ok, wait };
    } catch {
      return { isThere: false, wait: WAIT_S };
    }
  }

  function show({ image, address }) {
    if (isDrawn(image)) image.removeAttribute("href"); // which is not asked for again where nothing changes
    image.setAttribute(isDrawn(image) ? "href" : "src", address);
  }

  // One that is refused goes behind the others, so that it holds up none of them.
  async function askAgain() {
    while (missing.length) {
      const one = missing[0];
      const { isThere, wait } = isWanted(one) ? await ask(one.address) : { isThere: false, wait: 0 };
      missing.shift();
      if (!isWanted(one)) continue;
      if (isThere) show(one);
      if (!wait || ++one.asked === MOST_ASKED) continue;
      missing.push(one);
      await pause(wait);
    }
  }

  function miss(image) {
    const address = addressOf(image);
    if (missing.some((one) => one.image === image && one.address === address)) return;
    const before = failures.get(image);
    const times = before?.address === address ? before.times : 0;
    if (times === MOST_TIMES) return;
    failures.set(image, { address, times: times + 1 });
    missing.push({ image, address, asked: 0 });
    if (missing.length === 1) askAgain();
    watch();
  }

  // Of a picture within a drawing only what the browser was answered tells whether it failed before this was read.
  const wasRefused = (address) => {
    const answers = performance.getEntriesByName(new URL(address, document.baseURI).href);
    return answers.some((one) => NOT_NOW.has(one.responseStatus));
  };

  document.addEventListener("error", (event) => isPicture(event.target) && miss(event.target), true);
  for (const image of document.images) if (image.complete && image.src && !image.naturalWidth) miss(image);
  for (const image of document.querySelectorAll("svg image")) if (wasRefused(addressOf(image))) miss(image);
  watch();
})();
