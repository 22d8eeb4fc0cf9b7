// Moves openings and runs along the days of the season, by pointer or by keys, and goes to the form that begins with the
// new times. Nothing is kept here: the form says what would follow. A clock on the wall shows the same time on the new
// date, so days are counted by the calendar; what that is in UTC only the server knows.
"use strict";
(() => {
  const season = document.querySelector(".season");
  const days = Number(season.dataset.days);
  const said = document.getElementById("moved");
  const SVG = "http://www.w3.org/2000/svg", DAY_MS = 86400000, EDGE_PX = 12, CLICK_PX = 4;
  const parse = (civil) => new Date(`${civil}:00Z`);
  const later = (civil, by) => new Date(parse(civil).getTime() + by * DAY_MS).toISOString().slice(0, 16);
  const daysBetween = (a, b) => (parse(b) - parse(a)) / DAY_MS;
  const words = (civil) =>
    parse(civil).toLocaleString("en-GB", { timeZone: "UTC", weekday: "short", day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit" });
  const track = (link) => link.closest("svg.bars, svg.dates");
  const dayPx = (svg) => svg.getBoundingClientRect().width / days;

  // Where it would be, after so many days more: all of it, or its end alone.
  function moved(link, by, endOnly) {
    const { begins, ends } = link.dataset;
    return { begins: endOnly ? begins : later(begins, by), ends: ends && later(ends, by) };
  }

  // Names of other runs of the same machine that lie there already.
  function inTheWay(link, to) {
    if (!to.ends) return [];
    return [...track(link).querySelectorAll("a[data-begins]")]
      .filter((other) => other !== link && other.dataset.begins < to.ends && to.begins < other.dataset.ends)
      .map((other) => other.querySelector("text").textContent);
  }

  function show(link, by, endOnly) {
    document.querySelector(".season .moved")?.remove();
    if (!by) {
      said.textContent = "";
      return;
    }
    const to = moved(link, by, endOnly), others = inTheWay(link, to), svg = track(link);
    const box = (link.closest("svg.run") || link).getBoundingClientRect(), left = svg.getBoundingClientRect().left;
    const ghost = document.createElementNS(SVG, "rect");
    ghost.setAttribute("class", others.length ? "moved is-wrong" : "moved");
    ghost.setAttribute("x", box.left - left + (endOnly ? 0 : by * dayPx(svg)));
    ghost.setAttribute("width", Math.max(1, box.width + (endOnly ? by * dayPx(svg) : 0)));
    ghost.setAttribute("height", "100%");
    svg.append(ghost);
    const much = `${Math.abs(by)} day${Math.abs(by) === 1 ? "" : "s"} ${by > 0 ? "later" : "earlier"}`;
    const when = endOnly ? `ends ${words(to.ends)}` : words(to.begins) + (to.ends ? ` to ${words(to.ends)}` : "");
    said.textContent = `${when}, ${much}${others.length ? `; ${others.join(" and ")} is there` : ""}`;
  }

  function go(link, by, endOnly) {
    const { page, first, last } = link.dataset, to = moved(link, by, endOnly), query = new URLSearchParams();
    if (first && !endOnly) query.set(first, to.begins);
    if (last && to.ends) query.set(last, to.ends);
    location.assign(`${page}${page.includes("?") ? "&" : "?"}${query}`);
  }

  // The end alone is what has begun, or what is taken at its end; an end does not come before its beginning.
  function movable(link) {
    const { begins, ends, first, last } = link.dataset;
    let by = 0, endOnly = !first;
    const clamp = (days) => (endOnly ? Math.max(days, Math.ceil(-daysBetween(begins, ends)) + 1) : days);
    const put = (days) => show(link, (by = clamp(days)), endOnly);
    const atItsEnd = (event) => Boolean(last) && link.closest("svg.run").getBoundingClientRect().right - event.clientX < EDGE_PX;
    link.draggable = false;

    link.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      event.preventDefault(); // no text is marked, no link is dragged out of the page
      link.focus();
      endOnly = !first || atItsEnd(event);
      const from = event.clientX, pixels = dayPx(track(link));
      const move = (event) => put(Math.round((event.clientX - from) / pixels));
      const end = (event) => {
        link.removeEventListener("pointermove", move);
        link.removeEventListener("pointerup", end);
        link.removeEventListener("pointercancel", end);
        if (event.type === "pointerup" && by) go(link, by, endOnly);
        else put(0);
        link.dataset.dragged = Math.abs(event.clientX - from) > CLICK_PX ? "yes" : "";
      };
      link.setPointerCapture(event.pointerId);
      link.addEventListener("pointermove", move);
      link.addEventListener("pointerup", end);
      link.addEventListener("pointercancel", end);
    });
    link.addEventListener("click", (event) => {
      if (link.dataset.dragged) event.preventDefault();
      link.dataset.dragged = "";
    });
    link.addEventListener("pointermove", (event) => link.classList.toggle("at-its-end", atItsEnd(event)));
    link.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
      if (step) put(by + step * (event.shiftKey ? 7 : 1));
      else if (event.key === "Escape") put(0);
      else if (event.key === "Enter" && by) go(link, by, endOnly);
      else return;
      event.preventDefault();
    });
    link.addEventListener("blur", () => put(0));
  }

  for (const link of season.querySelectorAll("a[data-page]")) movable(link);
  for (const svg of season.querySelectorAll("svg[data-plan]")) {
    svg.addEventListener("click", (event) => {
      if (event.target.closest("a")) return;
      const day = Math.floor((event.clientX - svg.getBoundingClientRect().left) / dayPx(svg));
      location.assign(`${svg.dataset.plan}&${new URLSearchParams({ starts: later(svg.dataset.from, day) })}`);
    });
  }
  const help = document.getElementById("by-hand");
  help.hidden = !season.querySelector("[data-page], [data-plan]");
})();
