/* The proving page: arrows go from cell to cell, u takes the last entry back, soaks count down. All works without. */
"use strict";

(function () {
  const typing = "input:not([type=button]):not([type=submit]):not([type=checkbox]):not([type=radio]), textarea, select";

  document.addEventListener("keydown", function (event) {
    if (event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
    if (/^u$/i.test(event.key) && document.documentElement.dataset.singleKeys === "off") return;
    if (event.target.closest && event.target.closest("input[type=radio]")) return; // its own arrows choose
    if (event.target.closest && event.target.closest(typing)) return;
    const wanted = { ArrowLeft: "[data-before]", ArrowRight: "[data-after]", u: "[data-undo]", U: "[data-undo]" }[event.key];
    const place = wanted && document.querySelector("#main " + wanted);
    if (!place) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    place.click();
  }, true);

  const two = function (n) { return String(n).padStart(2, "0"); };
  const words = function (seconds) {
    const s = Math.floor(seconds);
    return Math.floor(s / 3600) + ":" + two(Math.floor(s / 60) % 60) + ":" + two(s % 60);
  };
  // The bench's clock counts, not this phone's.
  const ahead = function (place) { return Number(place.dataset.now) * 1000 - loaded; };
  const loaded = Date.now();
  function count() {
    document.querySelectorAll("[data-due]").forEach(function (place) {
      const left = Number(place.dataset.due) - (Date.now() + ahead(place)) / 1000;
      place.textContent = (left > 0 ? place.dataset.left : place.dataset.over).replace("{time}", words(Math.abs(left)));
      place.closest("[data-soak]").classList.toggle("soak-due", left <= 0);
    });
  }
  count();
  window.setInterval(count, 1000);
})();
