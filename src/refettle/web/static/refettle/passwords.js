/* Lets a password be looked at while it is typed; it is covered again before it is sent. Pages work without it. */
"use strict";

(function () {
  document.querySelectorAll("input[type=password]").forEach(function (field) {
    const button = document.createElement("button");
    const words = document.getElementById("password-words").dataset;
    button.type = "button";
    button.className = "plain show-password";
    button.setAttribute("aria-controls", field.id);
    const cover = function (covered) {
      field.type = covered ? "password" : "text";
      button.textContent = covered ? words.show : words.cover;
      button.setAttribute("aria-pressed", String(!covered));
    };
    cover(true);
    button.addEventListener("click", function () { cover(field.type === "text"); field.focus(); });
    field.form.addEventListener("submit", function () { cover(true); });
    field.after(button);
  });
}());
