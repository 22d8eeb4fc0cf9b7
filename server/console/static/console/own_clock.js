// Puts the browser's own zone into the choice of a clock where nobody chose one; nothing is asked before they do.
"use strict";
(() => {
  const zone = document.getElementById("id_zone");
  if (!zone || zone.value) return;
  const own = Intl.DateTimeFormat().resolvedOptions().timeZone;
  if (zone.querySelector(`option[value="${CSS.escape(own)}"]`)) zone.value = own;
})();
