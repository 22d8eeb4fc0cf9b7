// Fetches what changes on the page every few seconds, and puts it in place unless somebody is reading or using it.
"use strict";
(() => {
  const overview = document.getElementById("overview");
  const EVERY_MS = Number(overview.dataset.everyMs) || 4000;
  // So many times as long as an answer took is waited for the next: where there are many machines, or a server that has
  // much to do, open pages are not what it does most of the time.
  const TIMES_AS_LONG = 4;
  const headline = document.getElementById("headline");
  const summary = document.getElementById("summary");
  const asof = document.getElementById("asof");
  const hold = document.getElementById("hold");
  let held = false;
  let tag = "";

  const inUse = () =>
    overview.contains(document.activeElement) || (getSelection().toString() && overview.contains(getSelection().anchorNode));

  function put(html) {
    const next = document.createElement("template");
    next.innerHTML = html;
    const now = next.content.querySelector(".now");
    overview.replaceChildren(next.content);
    // A live region is read out when it changes, so it is touched only then.
    if (summary.textContent !== now.dataset.summary) summary.textContent = now.dataset.summary;
    if (headline) headline.textContent = now.dataset.headline;
    asof.textContent = now.dataset.asof;
  }

  async function refresh() {
    const began = performance.now();
    if (!held && !document.hidden && !inUse()) {
      try {
        const headers = tag ? { "If-None-Match": tag } : {};
        const answer = await fetch(overview.dataset.address, { cache: "no-store", headers });
        if (answer.status === 304) asof.textContent = decodeURIComponent(answer.headers.get("As-Of"));
        else if (!answer.ok) throw new Error(answer.status);
        else {
          put(await answer.text());
          tag = answer.headers.get("ETag") ?? "";
        }
      } catch {
        const silent = ` · ${asof.dataset.silent || "no answer"}`;
        asof.textContent = asof.textContent.replace(silent, "") + silent;
      }
    }
    setTimeout(refresh, Math.max(EVERY_MS, TIMES_AS_LONG * (performance.now() - began)));
  }

  hold.hidden = false;
  hold.addEventListener("click", () => {
    held = !held;
    hold.setAttribute("aria-pressed", String(held));
  });
  setTimeout(refresh, EVERY_MS);
})();
