/* Plots: closer and wider, two cursors, values under the pointer. Reads everything from the drawing itself:
   the points of its lines and the ends of its axes. Without this the drawing and its figures stand as they are. */
"use strict";

(function () {
  const NS = "http://www.w3.org/2000/svg";
  const THIN = "\u202f"; // no line ends between a figure and its unit
  const POINT = new Intl.NumberFormat(document.documentElement.lang || "en").format(1.5).charAt(1);
  const MINUS = "\u2212";
  const PLAIN = ["", "%", "\u00b0C", "dB", "dBFS", "dBu"];
  const PREFIX = { "-12": "p", "-9": "n", "-6": "\u00b5", "-3": "m", "0": "", "3": "k", "6": "M", "9": "G" };
  const CLOCK_FROM = 180;
  const CLOCK_STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200];
  const CLOSEST = 1 / 2000; // of the whole axis
  const groups = {};

  // ---------------------------------------------------------------- words

  const words = document.getElementById("plot-words").dataset; // in the page's language
  function said(name, values) {
    return words[name].replace(/\{(\w+)\}/g, function (_, key) { return values[key]; });
  }

  // ---------------------------------------------------------------- figures

  function exponentOf(value, unit) {
    if (PLAIN.indexOf(unit) >= 0 || value === 0) return 0;
    return Math.max(-12, Math.min(9, 3 * Math.floor(Math.log10(Math.abs(value)) / 3 + 1e-9)));
  }

  function written(number, unit, exponent) {
    const text = /^-0(\.0*)?$/.test(number) ? number.slice(1) : number;
    return text.replace("-", MINUS).replace(".", POINT) + (unit || exponent ? THIN : "") + PREFIX[exponent] + unit;
  }

  function show(value, unit) {
    if (!isFinite(value)) return said("none");
    const exponent = exponentOf(value, unit);
    const scaled = value / Math.pow(10, exponent);
    const whole = Math.max(1, Math.floor(Math.log10(Math.abs(scaled) || 1)) + 1);
    return written(scaled.toFixed(Math.max(0, (PLAIN.indexOf(unit) >= 0 ? 3 : 4) - whole)), unit, exponent);
  }

  function clock(seconds, decimals) {
    const sign = seconds < 0 ? MINUS : "";
    const all = Math.abs(seconds);
    const h = Math.floor(all / 3600);
    const m = Math.floor(all / 60) % 60;
    const s = (all % 60).toFixed(decimals || 0).padStart(decimals ? 3 + decimals : 2, "0").replace(".", POINT);
    return sign + (h ? h + ":" + String(m).padStart(2, "0") : m) + ":" + s;
  }

  // ---------------------------------------------------------------- axes

  function axisOf(text, log) {
    const parts = text.split(" ");
    return { low: Number(parts[0]), high: Number(parts[1]), unit: parts.slice(2).join(" "), log: log };
  }

  function place(axis, value) {
    if (axis.log) return value > 0 ? Math.log(value / axis.low) / Math.log(axis.high / axis.low) : -1;
    return (value - axis.low) / (axis.high - axis.low);
  }

  function valueAt(axis, share) {
    if (axis.log) return axis.low * Math.pow(axis.high / axis.low, share);
    return axis.low + share * (axis.high - axis.low);
  }

  function ticks(axis, most) {
    const span = axis.high - axis.low;
    const found = [];
    if (axis.log && Math.log10(axis.high / axis.low) >= 0.7) {
      const labelled = 3 * Math.log10(axis.high / axis.low) <= most + 1 ? [1, 2, 5] : [1];
      for (let power = Math.floor(Math.log10(axis.low)); power <= Math.ceil(Math.log10(axis.high)); power += 1) {
        [1, 2, 5].forEach(function (digit) {
          const value = digit * Math.pow(10, power);
          if (value < axis.low * (1 - 1e-9) || value > axis.high * (1 + 1e-9)) return;
          const exponent = exponentOf(value, axis.unit);
          found.push([value, labelled.indexOf(digit) < 0 ? "" : written(String(Number((value / Math.pow(10, exponent)).toPrecision(3))), axis.unit, exponent)]);
        });
      }
      return found;
    }
    const counts = axis.unit === "s" && !axis.log && span >= CLOCK_FROM;
    let step;
    if (counts) {
      step = CLOCK_STEPS.find(function (each) { return span / each <= most; }) || 3600 * Math.ceil(span / 3600 / most);
    } else {
      const power = Math.pow(10, Math.floor(Math.log10(span / most)));
      step = [1, 2, 5, 10].map(function (m) { return m * power; }).find(function (each) { return each >= span / most * (1 - 1e-9); });
    }
    const exponent = exponentOf(Math.max(Math.abs(axis.low), Math.abs(axis.high)), axis.unit);
    const decimals = Math.max(0, -Math.floor(Math.log10(step) - exponent + 1e-9));
    for (let n = Math.ceil(axis.low / step - 1e-9); n <= Math.floor(axis.high / step + 1e-9); n += 1) {
      const value = n * step;
      found.push([value, counts ? clock(value) : written((value / Math.pow(10, exponent)).toFixed(decimals), axis.unit, exponent)]);
    }
    return found;
  }

  // ---------------------------------------------------------------- one plot

  function element(name, attributes, parent) {
    const made = document.createElementNS(NS, name);
    Object.keys(attributes).forEach(function (key) { made.setAttribute(key, attributes[key]); });
    if (parent) parent.appendChild(made);
    return made;
  }

  function html(name, attributes, text, parent) {
    const made = document.createElement(name);
    Object.keys(attributes).forEach(function (key) { made.setAttribute(key, attributes[key]); });
    if (text) made.textContent = text;
    if (parent) parent.appendChild(made);
    return made;
  }

  function Plot(svg) {
    this.svg = svg;
    this.area = svg.querySelector(".pl-area");
    this.bed = svg.querySelector(".pl-bed");
    this.box = this.area.viewBox.baseVal;
    this.size = { width: this.box.width, height: this.box.height };
    this.all = axisOf(svg.dataset.x, Boolean(svg.dataset.log));
    this.axis = this.all;
    this.window = [0, 1]; // shares of the whole axis
    this.sides = {};
    ["left", "right"].forEach(function (side) {
      if (svg.dataset[side]) this.sides[side] = axisOf(svg.dataset[side], false);
    }, this);
    this.traces = Array.from(svg.querySelectorAll("[data-trace]")).map(this.trace, this);
    this.cursors = [];
    this.held = 0;
    this.figure = svg.closest("figure") || svg.parentElement;
    this.frame = svg.parentElement;
    this.group = this.figure.dataset.group || "";
    if (this.group) (groups[this.group] = groups[this.group] || []).push(this);
    this.hair = element("line", { class: "pl-hair", y2: "100%", display: "none" }, svg);
    this.controls();
    this.pointers();
  }

  Plot.prototype.trace = function (node) {
    const x = [];
    const y = [];
    Array.from(node.querySelectorAll("polyline")).forEach(function (line) {
      line.getAttribute("points").split(" ").forEach(function (pair) {
        const both = pair.split(",");
        x.push(Number(both[0]) / this.size.width);
        y.push(1 - Number(both[1]) / this.size.height);
      }, this);
    }, this);
    return { name: node.dataset.trace, axis: this.sides[node.dataset.side], x: x, y: y };
  };

  /* Index of the sample nearest to a share of the whole axis. */
  function nearest(trace, share) {
    let low = 0;
    let high = trace.x.length - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (trace.x[middle] <= share) low = middle; else high = middle;
    }
    return share - trace.x[low] <= trace.x[high] - share ? low : high;
  }

  Plot.prototype.says = function (share) {
    const where = valueAt(this.all, share);
    return {
      x: where,
      at: this.spell(where),
      values: this.traces.map(function (trace) {
        const value = valueAt(trace.axis, trace.y[nearest(trace, share)]);
        return { name: trace.name, unit: trace.axis.unit, value: value };
      }),
    };
  };

  Plot.prototype.spell = function (x) {
    return this.all.unit === "s" && this.all.high - this.all.low >= CLOCK_FROM ? clock(x, 2) : show(x, this.all.unit);
  };

  Plot.prototype.words = function (values) {
    const several = values.length > 1;
    return values.map(function (each) { return (several ? each.name + " " : "") + show(each.value, each.unit); }).join(", ");
  };

  // ---------------------------------------------------------------- closer and wider

  Plot.prototype.look = function (low, high, told) {
    let width = Math.min(1, Math.max(CLOSEST, high - low));
    low = Math.min(1 - width, Math.max(0, low));
    this.window = [low, low + width];
    this.axis = { low: valueAt(this.all, low), high: valueAt(this.all, low + width), unit: this.all.unit, log: this.all.log };
    this.area.setAttribute("viewBox", low * this.size.width + " 0 " + width * this.size.width + " " + this.size.height);
    this.redraw();
    if (!told && this.group) {
      groups[this.group].forEach(function (other) { if (other !== this) other.look(low, low + width, true); }, this);
    }
  };

  Plot.prototype.redraw = function () {
    const grid = this.svg.querySelector("[data-ticks=x]");
    grid.replaceChildren();
    ticks(this.axis, this.most()).forEach(function (tick) {
      const x = 100 * place(this.axis, tick[0]) + "%";
      element("line", { class: "pl-grid", x1: x, x2: x, y2: "100%" }, grid);
      if (tick[1]) element("text", { class: "pl-tick", x: x, y: "100%", dy: 18, "text-anchor": "middle" }, grid).textContent = tick[1];
    }, this);
    this.svg.querySelectorAll("[data-at]").forEach(function (node) {
      const share = place(this.axis, Number(node.dataset.at));
      const x = 100 * share + "%";
      node.setAttribute("display", share < 0 || share > 1 ? "none" : "inline");
      (node.tagName === "line" ? ["x1", "x2"] : node.tagName === "circle" ? ["cx"] : ["x"]).forEach(function (name) { node.setAttribute(name, x); });
    }, this);
    // Names of lines found their place for the whole axis; close up they would stand anywhere.
    this.svg.querySelectorAll("[data-beside]").forEach(function (node) {
      node.setAttribute("display", this.window[1] - this.window[0] < 0.999 ? "none" : "inline");
    }, this);
    this.hair.setAttribute("display", "none");
    this.buttons.all.disabled = this.buttons.wider.disabled = this.window[1] - this.window[0] > 0.999;
    this.buttons.left.disabled = this.window[0] <= 0;
    this.buttons.right.disabled = this.window[1] >= 1;
    this.buttons.closer.disabled = this.window[1] - this.window[0] <= CLOSEST * 1.001;
    this.cursors.forEach(this.put, this);
    this.key();
  };

  Plot.prototype.most = function () {
    return this.bed.getBoundingClientRect().width > 480 ? 7 : 5;
  };

  /* What of the axis is shown, and where it can be had with every sample. */
  Plot.prototype.key = function () {
    const close = this.window[1] - this.window[0] < 0.999;
    const ends = close ? said("span", { low: this.spell(this.axis.low), high: this.spell(this.axis.high) }) : "";
    this.shown.textContent = ends;
    const fine = this.figure.dataset.fine;
    if (!fine || !close) return;
    const link = fine + (fine.indexOf("?") < 0 ? "?" : "&") + "from=" + this.axis.low.toPrecision(9) + "s&to=" + this.axis.high.toPrecision(9) + "s";
    this.shown.append(". ");
    html("a", { href: link }, said("fine"), this.shown);
  };

  Plot.prototype.zoom = function (factor, about) {
    const width = this.window[1] - this.window[0];
    const middle = about === undefined ? (this.window[0] + this.window[1]) / 2 : about;
    const share = (middle - this.window[0]) / width;
    const next = Math.min(1, Math.max(CLOSEST, width * factor));
    this.look(middle - share * next, middle + (1 - share) * next);
  };

  Plot.prototype.move = function (share) {
    const width = this.window[1] - this.window[0];
    this.look(this.window[0] + share * width, this.window[1] + share * width);
  };

  Plot.prototype.controls = function () {
    const plot = this;
    const bar = html("div", { class: "plot-controls no-print", role: "group", "aria-label": said("look", { what: this.svg.getAttribute("aria-label") }) });
    this.buttons = {};
    [
      ["closer", said("closer"), function () { plot.zoom(0.5, plot.cursors.length ? plot.cursors[plot.held].share : undefined); }],
      ["wider", said("wider"), function () { plot.zoom(2); }],
      ["all", said("all"), function () { plot.look(0, 1); }],
      ["left", "\u25c0", function () { plot.move(-0.5); }],
      ["right", "\u25b6", function () { plot.move(0.5); }],
      ["cursors", said("cursors"), function () { plot.toggle(); }],
    ].forEach(function (each) {
      const button = html("button", { type: "button", class: "second" }, each[1], bar);
      button.addEventListener("click", each[2]);
      plot.buttons[each[0]] = button;
    });
    this.buttons.left.setAttribute("aria-label", said("left"));
    this.buttons.right.setAttribute("aria-label", said("right"));
    this.buttons.cursors.setAttribute("aria-pressed", "false");
    this.shown = html("p", { class: "plot-shown" });
    this.read = html("p", { class: "plot-read" });
    this.frame.after(this.read, bar);
    this.frame.before(this.shown);
    this.frame.setAttribute("tabindex", "-1");
    this.figure.addEventListener("keydown", function (event) {
      const does = { "+": function () { plot.zoom(0.5); }, "=": function () { plot.zoom(0.5); }, "-": function () { plot.zoom(2); }, "0": function () { plot.look(0, 1); } }[event.key];
      if (!does || event.ctrlKey || event.metaKey || event.altKey || event.target.closest("input, select, textarea")) return;
      event.preventDefault();
      event.stopPropagation();
      does();
    });
    this.redraw();
  };

  // ---------------------------------------------------------------- cursors

  Plot.prototype.toggle = function () {
    const on = !this.cursors.length;
    this.buttons.cursors.setAttribute("aria-pressed", String(on));
    this.buttons.cursors.className = on ? "chosen" : "second";
    if (!on) {
      this.cursors.forEach(function (cursor) { cursor.line.remove(); cursor.handle.remove(); });
      this.cursors = [];
      this.table.remove();
      return;
    }
    const width = this.window[1] - this.window[0];
    this.table = html("div", { class: "plot-cursors no-print" });
    this.buttons.cursors.parentElement.after(this.table);
    [0, 1].forEach(function (n) { this.cursor(n, this.window[0] + (n + 1) / 3 * width); }, this);
    this.between = html("p", { class: "plot-between" }, "", this.table);
    this.cursors.forEach(this.put, this);
    this.cursors[0].handle.focus({ preventScroll: true });
  };

  Plot.prototype.cursor = function (n, share) {
    const plot = this;
    const made = { share: share };
    made.line = element("line", { class: "pl-cursor", y2: "100%" }, this.svg);
    made.handle = html("div", { class: "plot-handle no-print", role: "slider", tabindex: "0", "aria-label": said("cursor", { n: n + 1 }) }, String(n + 1), this.frame);
    const row = html("div", { class: "plot-cursor-row" }, "", this.table);
    made.text = html("p", {}, "", row);
    [[-1, "\u25c0", "cursorLeft"], [1, "\u25b6", "cursorRight"]].forEach(function (each) {
      html("button", { type: "button", class: "second", "aria-label": said(each[2], { n: n + 1 }) }, each[1], row)
        .addEventListener("click", function () { plot.held = n; plot.step(n, each[0], false); });
    });
    made.handle.addEventListener("keydown", function (event) {
      const way = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageUp: 10, PageDown: -10 }[event.key];
      const end = { Home: plot.window[0], End: plot.window[1] }[event.key];
      if ((!way && end === undefined) || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      event.stopPropagation();
      if (way) plot.step(n, way, event.shiftKey);
      else plot.set(n, end);
    });
    made.handle.addEventListener("focus", function () { plot.held = n; });
    made.handle.addEventListener("pointerdown", function (event) {
      event.preventDefault();
      event.stopPropagation();
      made.handle.focus({ preventScroll: true });
      made.handle.setPointerCapture(event.pointerId);
      made.dragging = true;
    });
    made.handle.addEventListener("pointermove", function (event) { if (made.dragging) plot.set(n, plot.share(event)); });
    ["pointerup", "pointercancel"].forEach(function (name) {
      made.handle.addEventListener(name, function () { made.dragging = false; });
    });
    this.cursors.push(made);
  };

  /* One step: a two-hundredth of what is shown, at least one sample; fine: one sample. */
  Plot.prototype.step = function (n, way, fine) {
    const trace = this.traces[0];
    const from = nearest(trace, this.cursors[n].share);
    const wanted = trace.x[from] + (fine ? 0 : way * (this.window[1] - this.window[0]) / 200);
    let to = nearest(trace, wanted);
    if (to === from) to = from + Math.sign(way);
    to = Math.min(trace.x.length - 1, Math.max(0, to));
    this.set(n, trace.x[to]);
  };

  Plot.prototype.set = function (n, share) {
    this.held = n;
    const trace = this.traces[0];
    share = Math.min(this.window[1], Math.max(this.window[0], share));
    this.cursors[n].share = trace.x[nearest(trace, share)];
    if (this.cursors[n].share < this.window[0] || this.cursors[n].share > this.window[1]) this.cursors[n].share = share;
    this.put(this.cursors[n], n);
  };

  Plot.prototype.put = function (cursor, n) {
    if (cursor.share < this.window[0] || cursor.share > this.window[1]) {
      cursor.share = Math.min(this.window[1], Math.max(this.window[0], cursor.share));
    }
    const share = (cursor.share - this.window[0]) / (this.window[1] - this.window[0]);
    const x = 100 * share + "%";
    cursor.line.setAttribute("x1", x);
    cursor.line.setAttribute("x2", x);
    const bed = this.bed.getBoundingClientRect();
    const frame = this.frame.getBoundingClientRect();
    cursor.handle.style.left = bed.left - frame.left + share * bed.width + "px";
    cursor.handle.style.top = bed.top - frame.top + "px";
    const here = this.says(cursor.share);
    const told = here.at + ": " + this.words(here.values);
    cursor.text.textContent = n + 1 + "  " + told;
    cursor.handle.setAttribute("aria-valuemin", this.axis.low);
    cursor.handle.setAttribute("aria-valuemax", this.axis.high);
    cursor.handle.setAttribute("aria-valuenow", here.x);
    cursor.handle.setAttribute("aria-valuetext", told);
    if (this.between) this.difference();
  };

  Plot.prototype.difference = function () {
    const one = this.says(this.cursors[0].share);
    const two = this.says(this.cursors[1].share);
    const apart = two.x - one.x;
    const parts = [show(apart, this.all.unit)];
    if (this.all.unit === "s" && apart !== 0) parts.push("1/t = " + show(1 / Math.abs(apart), "Hz"));
    if (this.all.unit === "Hz" && one.x > 0) parts.push(said("ratio", { ratio: (two.x / one.x).toPrecision(4).replace(".", POINT) }));
    const values = two.values.map(function (each, n) {
      return { name: each.name, unit: each.unit === "dBFS" ? "dB" : each.unit, value: each.value - one.values[n].value };
    });
    this.between.textContent = said("between", { apart: parts.join(", "), values: this.words(values) });
  };

  // ---------------------------------------------------------------- pointer

  Plot.prototype.share = function (event) {
    const bed = this.bed.getBoundingClientRect();
    const share = Math.min(1, Math.max(0, (event.clientX - bed.left) / bed.width));
    return this.window[0] + share * (this.window[1] - this.window[0]);
  };

  Plot.prototype.hover = function (share) {
    const trace = this.traces[0];
    const at = trace.x[nearest(trace, share)];
    const inside = at >= this.window[0] && at <= this.window[1] ? at : share;
    const x = 100 * (inside - this.window[0]) / (this.window[1] - this.window[0]) + "%";
    this.hair.setAttribute("x1", x);
    this.hair.setAttribute("x2", x);
    this.hair.setAttribute("display", "inline");
    const here = this.says(inside);
    this.read.textContent = here.at + ": " + this.words(here.values);
  };

  Plot.prototype.pointers = function () {
    const plot = this;
    const down = new Map();
    let moved = false;
    let start = null;
    const leave = function (event) {
      if (down.delete(event.pointerId) && !down.size && !moved && event.type === "pointerup") {
        if (plot.cursors.length) plot.set(plot.held, plot.share(event));
        else plot.hover(plot.share(event));
        // Taken up: the keys, and the wheel, are for this plot now.
        (plot.cursors.length ? plot.cursors[plot.held].handle : plot.frame).focus({ preventScroll: true });
      }
      start = null;
    };
    this.svg.addEventListener("pointerdown", function (event) {
      if (event.button) return;
      down.set(event.pointerId, event.clientX);
      moved = down.size > 1;
      start = null;
      plot.svg.setPointerCapture(event.pointerId);
    });
    this.svg.addEventListener("pointermove", function (event) {
      if (!down.has(event.pointerId)) {
        if (event.pointerType === "mouse") plot.hover(plot.share(event));
        return;
      }
      const width = plot.bed.getBoundingClientRect().width;
      const before = down.get(event.pointerId);
      if (down.size === 1) {
        if (!moved && Math.abs(event.clientX - before) < 6) return;
        moved = true;
        plot.move((before - event.clientX) / width);
        down.set(event.pointerId, event.clientX);
        return;
      }
      down.set(event.pointerId, event.clientX);
      const ends = Array.from(down.values()).slice(0, 2);
      const apart = Math.max(20, Math.abs(ends[0] - ends[1]));
      const middle = plot.share({ clientX: (ends[0] + ends[1]) / 2 });
      if (start) plot.zoom(start / apart, middle);
      start = apart;
      moved = true;
    });
    this.svg.addEventListener("pointerup", leave);
    this.svg.addEventListener("pointercancel", leave);
    this.svg.addEventListener("pointerleave", function () { plot.hair.setAttribute("display", "none"); });
    this.svg.addEventListener("dblclick", function (event) { plot.zoom(0.5, plot.share(event)); });
    // A plain wheel goes on scrolling the page; with Ctrl, or once the plot was taken up, it goes closer.
    this.svg.addEventListener("wheel", function (event) {
      if (!event.ctrlKey && !plot.figure.contains(document.activeElement)) return;
      event.preventDefault();
      plot.zoom(Math.pow(1.0015, event.deltaY), plot.share(event));
    }, { passive: false });
    window.addEventListener("resize", function () { plot.redraw(); });
  };

  function start(root) {
    root.querySelectorAll("svg[data-plot]:not([data-started])").forEach(function (svg) {
      svg.setAttribute("data-started", "1");
      new Plot(svg);
    });
  }
  start(document);
  document.addEventListener("htmx:afterSettle", function () { start(document); });
  document.addEventListener("toggle", function () { window.dispatchEvent(new Event("resize")); }, true);
})();
