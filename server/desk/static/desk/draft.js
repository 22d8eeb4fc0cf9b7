// Draws a picture anew beside its form when something is said otherwise there.
"use strict";
(() => {
  const AFTER_MS = 350;
  const draft = document.getElementById("draft");
  const form = draft.parentElement.querySelector("form.fields");
  const state = document.getElementById("draft-state");
  const notDrawn = new Set(["csrfmiddlewaretoken", "tag", "name", "id", "reason", "upload_said", "keep", "draw"]);
  let waits;

  function query() {
    const said = new URLSearchParams();
    for (const [name, value] of new FormData(form)) {
      if (typeof value === "string" && value && !notDrawn.has(name)) said.set(name, value);
    }
    return said;
  }

  function draw() {
    for (const image of draft.querySelectorAll("img[data-show]")) {
      const asked = query();
      asked.set("show", image.dataset.show);
      if (image.dataset.method) asked.set("as", image.dataset.method);
      image.src = `${draft.dataset.address}?${asked}`;
    }
  }

  for (const image of draft.querySelectorAll("img[data-show=turn]")) {
    image.addEventListener("load", () => (state.textContent = ""));
    image.addEventListener("error", async () => {
      try {
        const answer = await fetch(image.src);
        state.textContent = answer.ok ? "" : `It cannot be drawn so. ${await answer.text()}`;
      } catch {
        state.textContent = "The server does not answer. What is typed here stays; it is drawn with the next change.";
      }
    });
  }
  form.addEventListener("input", (event) => {
    if (event.target.type === "file") return;
    clearTimeout(waits);
    waits = setTimeout(draw, AFTER_MS);
  });
  form.addEventListener("change", (event) => {
    if (event.target.type === "file") form.requestSubmit(document.getElementById("draw"));
  });
})();
