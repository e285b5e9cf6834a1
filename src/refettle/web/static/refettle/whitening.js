/* Marking parts on a photo: a tap sets a corner. The corners stand in plain fields; nothing here holds data. */
"use strict";

document.querySelectorAll("[data-mark-photo]").forEach(function (place) {
  const frame = place.querySelector("[data-mark-frame]");
  const lines = place.querySelector("[data-mark-lines]");
  const rows = Array.from(place.querySelectorAll("[data-mark-row]"));
  const space = "http://www.w3.org/2000/svg";
  const step = 0.01;
  const cross = document.createElement("span");
  let now = 0;
  let at = { x: 0.5, y: 0.5 };

  const field = function (row) { return row.querySelector("input[name^=points_]"); };
  const points = function (row) {
    const numbers = field(row).value.split(/[\s,;]+/).filter(Boolean).map(Number);
    const found = [];
    for (let k = 0; k + 1 < numbers.length; k += 2) if (isFinite(numbers[k]) && isFinite(numbers[k + 1])) found.push([numbers[k], numbers[k + 1]]);
    return found;
  };
  const write = function (row, found) {
    field(row).value = found.map(function (p) { return p[0].toFixed(4) + "," + p[1].toFixed(4); }).join(" ");
    draw();
  };
  const shape = function (name, corners, classes) {
    const made = document.createElementNS(space, name);
    made.setAttribute("points", corners.map(function (p) { return p.join(","); }).join(" "));
    made.setAttribute("class", classes);
    lines.append(made);
  };

  function draw() {
    lines.replaceChildren();
    place.querySelectorAll(".mark-dot, .mark-label").forEach(function (each) { each.remove(); });
    rows.forEach(function (row, n) {
      row.classList.toggle("mark-now", n === now);
      row.querySelector("[data-mark-pick]").setAttribute("aria-pressed", n === now ? "true" : "false");
      let found = points(row);
      if (!found.length) return;
      if (found.length === 2 && n !== now) {
        found = [found[0], [found[1][0], found[0][1]], found[1], [found[0][0], found[1][1]]];
      }
      const closed = found.length > 2 ? "polygon" : "polyline";
      shape(closed, found, "mark-under");
      shape(closed, found, n === now ? "mark-line mark-live" : "mark-line");
      found.forEach(function (p, k) {
        const dot = document.createElement("span");
        dot.className = k ? "mark-dot" : "mark-label";
        dot.textContent = k ? "" : row.querySelector("input[name^=name_]").value || String(n);
        dot.style.left = 100 * p[0] + "%";
        dot.style.top = 100 * p[1] + "%";
        frame.append(dot);
      });
    });
    cross.style.left = 100 * at.x + "%";
    cross.style.top = 100 * at.y + "%";
  }

  function pick(n) {
    now = Math.max(0, Math.min(rows.length - 1, n));
    draw();
  }

  function set(x, y) {
    let found = points(rows[now]);
    if (found.length >= 4 && now + 1 < rows.length && !points(rows[now + 1]).length) {
      pick(now + 1);
      found = points(rows[now]);
    }
    found.push([Math.max(0, Math.min(1, x)), Math.max(0, Math.min(1, y))]);
    write(rows[now], found);
  }

  cross.className = "mark-cross";
  frame.append(cross);
  frame.addEventListener("click", function (event) {
    const box = lines.getBoundingClientRect();
    at = { x: (event.clientX - box.left) / box.width, y: (event.clientY - box.top) / box.height };
    set(at.x, at.y);
  });
  frame.addEventListener("keydown", function (event) {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    if (ways[event.key]) {
      const far = event.shiftKey ? 5 * step : step;
      at = { x: Math.max(0, Math.min(1, at.x + far * ways[event.key][0])), y: Math.max(0, Math.min(1, at.y + far * ways[event.key][1])) };
      draw();
    } else if (event.key === "Enter") {
      set(at.x, at.y);
    } else if (event.key === "Backspace") {
      write(rows[now], points(rows[now]).slice(0, -1));
    } else {
      return;
    }
    event.preventDefault();
    event.stopPropagation();
  });
  rows.forEach(function (row, n) {
    const button = row.querySelector("[data-mark-pick]");
    const anew = row.querySelector("[data-mark-clear]");
    button.hidden = anew.hidden = false;
    button.addEventListener("click", function () { pick(n); frame.scrollIntoView({ block: "nearest" }); });
    anew.addEventListener("click", function () { write(row, []); pick(n); });
    row.addEventListener("input", draw);
  });
  frame.classList.add("mark-ready");
  const open = rows.findIndex(function (row) { return !points(row).length; });
  if (rows.some(function (row) { return points(row).length; }) || open === 0) pick(Math.max(0, open));
});
