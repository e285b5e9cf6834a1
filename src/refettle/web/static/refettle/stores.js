/* The number pad of a stocktake, without a request for each tap. The page works without it. */
"use strict";

(function () {
  const field = document.querySelector("[data-counted]");
  if (!field) return;
  field.inputMode = "none"; // the pad stands below; a phone's own keyboard would cover it
  field.focus({ preventScroll: true });
  document.addEventListener("click", function (event) {
    const key = event.target.closest && event.target.closest("[data-pad]");
    if (!key) return;
    event.preventDefault();
    const said = key.dataset.pad;
    if (said === "clear") field.value = "";
    else if (said === "back") field.value = field.value.slice(0, -1);
    else if (field.value.length < 8) field.value = (field.value + said).replace(/^0+(?=\d)/, "");
  });
})();
