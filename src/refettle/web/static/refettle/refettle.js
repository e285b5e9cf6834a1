/* Small conveniences over plain forms. Nothing here holds data; every page works without it. */
"use strict";

(function () {
  const typing = "input:not([type=button]):not([type=submit]):not([type=checkbox]):not([type=radio]), textarea, select";

  // Single keys (1 to 9, N, U) can be turned off in this browser, for who speaks to the machine or presses by mistake.
  const OFF = "refettle-single-keys-off";
  const keys = document.documentElement.dataset;
  function tellKeys() {
    let off = false;
    try { off = window.localStorage.getItem(OFF) === "1"; } catch { /* nothing is kept here: they act */ }
    keys.singleKeys = off ? "off" : "on";
    const box = document.querySelector("[data-single-keys][type=checkbox]");
    if (box) box.checked = !off;
  }
  tellKeys();
  document.addEventListener("change", function (event) {
    if (!event.target.matches("input[data-single-keys]")) return;
    try { window.localStorage.setItem(OFF, event.target.checked ? "0" : "1"); } catch { /* as above */ }
    keys.singleKeys = event.target.checked ? "on" : "off";
  });

  // Where the minus lies: arrows answer the first question still open, or the one the focus is in; N: not polarised.
  document.addEventListener("keydown", function (event) {
    if (event.ctrlKey || event.altKey || event.metaKey || event.repeat || keys.singleKeys === "off") return;
    if (event.target.closest && event.target.closest(typing)) return;
    const said = { ArrowUp: "up", ArrowDown: "down", ArrowLeft: "left", ArrowRight: "right", n: "not polarised", N: "not polarised" }[event.key];
    const ways = Array.from(document.querySelectorAll("#main form[data-directions] fieldset[data-way]"));
    if (!said || !ways.length) return;
    const open = function (way) { return !way.querySelector("input[type=radio]:checked") || way.querySelector("input[type=checkbox]:not(:checked)"); };
    const way = ways.find(function (each) { return each.contains(event.target); }) || ways.find(open) || (ways.length === 1 ? ways[0] : null);
    if (!way) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    const radio = Array.from(way.querySelectorAll("input[type=radio]")).find(function (each) { return each.value === said; });
    const seen = way.querySelector("input[type=checkbox]");
    radio.checked = true;
    if (seen) seen.checked = true;
    const next = ways.find(open);
    const place = next ? next.querySelector("input[type=radio]:checked") || next.querySelector("input[type=radio]") : way.closest("form").querySelector("[data-key]");
    place.focus({ preventScroll: true });
    (next || place).scrollIntoView({ block: "center" });
  });

  // A tap on a photo gives the place in percent.
  document.addEventListener("click", function (event) {
    const photo = event.target.closest && event.target.closest("svg[data-tap]");
    if (!photo) return;
    const box = photo.getBoundingClientRect();
    const left = (event.clientX - box.left) / box.width;
    const top = (event.clientY - box.top) / box.height;
    const form = photo.closest("form");
    form.elements.left.value = (100 * left).toFixed(1);
    form.elements.top.value = (100 * top).toFixed(1);
    const mark = photo.querySelector("[data-tap-mark]");
    const size = photo.viewBox.baseVal;
    mark.removeAttribute("hidden");
    mark.setAttribute("transform", "translate(" + left * size.width + " " + top * size.height + ")");
  });

  // Keys 1 to 9 press the button that carries the number; arrows move between those buttons.
  document.addEventListener("keydown", function (event) {
    if (event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
    if (event.target.closest && event.target.closest(typing)) return;
    const keyed = Array.from(document.querySelectorAll("#main [data-key]:not([disabled])")).filter(
      function (button) { return !button.closest("details:not([open])"); } // a barred step's buttons are folded away
    );
    if (/^[1-9]$/.test(event.key)) {
      if (keys.singleKeys === "off") return;
      const button = keyed.find(function (each) { return each.dataset.key === event.key; });
      if (button) {
        event.preventDefault();
        button.focus();
        button.click();
      }
      return;
    }
    const at = keyed.indexOf(document.activeElement);
    const step = { ArrowDown: 1, ArrowRight: 1, ArrowUp: -1, ArrowLeft: -1 }[event.key];
    if (at >= 0 && step) {
      event.preventDefault();
      keyed[(at + step + keyed.length) % keyed.length].focus();
    }
  });

  // After part of a page was exchanged, reading goes on at its heading.
  // On a narrow screen the job's pages stand in one row: the one shown is brought into view.
  function showTab() {
    const tab = document.querySelector(".job-nav [aria-current]");
    const row = tab && tab.closest("ul");
    if (row) row.scrollLeft = tab.offsetLeft - row.offsetLeft - 24;
  }
  showTab();

  // What was refused is read out, and tied to the field it speaks of: by what it quotes, and by the field's name.
  function words(text) { return text.replace(/\s+/g, " ").trim().toLowerCase(); }
  function tie(alert) {
    const said = " " + words(alert.textContent) + " ";
    if (!alert.id) alert.id = "refused";
    const fields = Array.from(document.querySelectorAll("#main form input:not([type=hidden]):not([type=checkbox]):not([type=radio]), #main form select, #main form textarea"));
    const marks = fields.map(function (field) {
      const label = field.labels && field.labels[0] ? words((field.labels[0].firstChild || field.labels[0]).textContent) : "";
      const names = [label, field.name.replace(/_/g, " ").toLowerCase(), field.name.toLowerCase()].filter(Boolean);
      const named = names.some(function (name) { return said.indexOf(" " + name + ":") >= 0 || said.indexOf(" " + name + " ") >= 0; });
      const first = names.some(function (name) { return said.indexOf(" " + name + ":") >= 0; });
      const value = words(field.value);
      const quoted = value && ["'" + value + "'", "\u201c" + value + "\u201d", "\u201e" + value + "\u201c"].some(function (each) { return said.indexOf(each) >= 0; });
      return (quoted ? 3 : 0) + (first ? 2 : 0) + (named ? 1 : 0);
    });
    const most = Math.max.apply(null, marks.concat([0]));
    const field = most >= 3 ? fields[marks.indexOf(most)] : null;
    if (!field) return;
    field.setAttribute("aria-invalid", "true");
    field.setAttribute("aria-describedby", ((field.getAttribute("aria-describedby") || "") + " " + alert.id).trim());
    for (let fold = field.closest("details"); fold; fold = fold.parentElement.closest("details")) fold.open = true;
  }
  function refused(moved) {
    const alert = document.querySelector("#main [role=alert]");
    if (!alert) return;
    tie(alert);
    if (!moved) return;
    alert.setAttribute("tabindex", "-1");
    alert.focus();
  }
  refused(!window.location.hash);

  // What runs out of its frame sideways can be reached and moved by keys, in every browser.
  function frames() {
    document.querySelectorAll("#main .scroll, #main .drawing").forEach(function (frame) {
      const wide = frame.scrollWidth > frame.clientWidth + 1;
      if (!wide || frame.hasAttribute("tabindex")) return;
      frame.setAttribute("tabindex", "0");
      const section = frame.closest("[aria-labelledby]");
      if (frame.hasAttribute("role") || !section) return;
      frame.setAttribute("role", "group");
      frame.setAttribute("aria-labelledby", section.getAttribute("aria-labelledby"));
    });
  }
  frames();
  window.addEventListener("resize", frames);
  document.addEventListener("toggle", frames, true);

  // Where the part exchanged held the focus, it goes on inside what came.
  let held = false;
  document.addEventListener("htmx:beforeSwap", function (event) {
    held = event.detail.target.id !== "main" && event.detail.target.contains(document.activeElement);
  });
  document.addEventListener("htmx:afterSettle", function (event) {
    const place = held && document.activeElement === document.body && event.detail.elt.querySelector("a[href], button:not(:disabled), input:not([type=hidden])");
    held = false;
    if (place) place.focus({ preventScroll: true });
  });

  document.addEventListener("htmx:afterSettle", function (event) {
    showTab();
    frames();
    const target = event.detail && event.detail.target;
    if (event.target.id !== "main" && !(target && target.id === "main")) return;
    refused(false);
    const alert = document.querySelector("#main [role=alert]");
    const heading = document.querySelector("#main [data-start]") || document.querySelector("#main h1");
    const place = alert || heading;
    if (place) {
      place.setAttribute("tabindex", "-1");
      place.focus({ preventScroll: !alert });
    }
  });

  // A form is sent once; the second tap of a double tap does nothing.
  document.addEventListener("submit", function (event) {
    const form = event.target;
    if (event.defaultPrevented || form.method !== "post") return;
    if (form.dataset.sent) {
      event.preventDefault();
      return;
    }
    form.dataset.sent = "1";
  });
  window.addEventListener("pageshow", function () {
    document.querySelectorAll("form[data-sent]").forEach(function (form) { delete form.dataset.sent; });
  });

  // What others wrote is asked for again and again; a time without an answer is no matter.
  document.addEventListener("htmx:beforeSwap", function (event) {
    if (event.target.id === "since" && event.detail.xhr.status !== 200 && event.detail.xhr.status !== 286) event.detail.shouldSwap = false;
  });
  document.addEventListener("click", function (event) {
    if (!(event.target.closest && event.target.closest("a[data-reload]"))) return;
    const typed = Array.from(document.querySelectorAll("#main input, #main textarea")).some(function (field) {
      return field.type === "checkbox" || field.type === "radio" ? field.checked !== field.defaultChecked : field.type !== "hidden" && field.value !== field.defaultValue;
    });
    if (typed && !window.confirm(document.getElementById("busy").dataset.unsent)) event.preventDefault();
  });

  document.addEventListener("htmx:sendError", function (event) {
    if (event.target.id === "since") return;
    const busy = document.getElementById("busy");
    busy.classList.add("lost");
    busy.firstElementChild.textContent = busy.dataset.lost;
  });

  // Tables that carry data-sort: a press on a head sorts by that column.
  document.addEventListener("click", function (event) {
    const button = event.target.closest && event.target.closest("th button[data-sort]");
    if (!button) return;
    const head = button.closest("th");
    const table = head.closest("table");
    const column = Array.from(head.parentElement.children).indexOf(head);
    const down = head.getAttribute("aria-sort") === "ascending";
    const body = table.tBodies[0];
    const value = function (row) {
      const cell = row.cells[column];
      const raw = cell.dataset.value !== undefined ? cell.dataset.value : cell.textContent.trim();
      return button.dataset.sort === "number" ? Number(raw || 0) : raw.toLowerCase();
    };
    Array.from(body.rows)
      .map(function (row) { return [value(row), row]; })
      .sort(function (a, b) { return (a[0] < b[0] ? -1 : a[0] > b[0] ? 1 : 0) * (down ? -1 : 1); })
      .forEach(function (pair) { body.appendChild(pair[1]); });
    table.querySelectorAll("th[aria-sort]").forEach(function (each) { each.removeAttribute("aria-sort"); });
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
  });

  document.addEventListener("click", function (event) {
    if (event.target.closest && event.target.closest("button[data-print]")) window.print();
  });
})();
