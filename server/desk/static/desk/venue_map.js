// A press on the map says latitude and longitude in the form; what is typed there moves the dot on the map.
"use strict";
(() => {
  const where = document.getElementById("where");
  const map = where.querySelector("svg"), dot = map.querySelector(".place");
  const latitude = document.querySelector("[name=latitude]"), longitude = document.querySelector("[name=longitude]");
  const { width, height } = map.viewBox.baseVal;
  const north = Number(map.dataset.north), span = north - Number(map.dataset.south);

  function show() {
    const known = latitude.value !== "" && longitude.value !== "";
    dot.style.display = known ? "" : "none";
    dot.setAttribute("cx", ((Number(longitude.value) + 180) / 360) * width);
    dot.setAttribute("cy", ((north - Number(latitude.value)) / span) * height);
  }

  map.addEventListener("click", (event) => {
    const box = map.getBoundingClientRect();
    longitude.value = (((event.clientX - box.left) / box.width) * 360 - 180).toFixed(1);
    latitude.value = (north - ((event.clientY - box.top) / box.height) * span).toFixed(1);
    show();
  });
  for (const field of [latitude, longitude]) field.addEventListener("input", show);
  where.hidden = false;
  show();
})();
