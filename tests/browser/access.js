/* Looked at on every page by the tests of access: what a person would stumble over and axe does not see. */
"use strict";

window.access = (function () {
  const TABBABLE = "a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex]:not([tabindex='-1']), iframe, audio[controls], video[controls]";

  function shown(element) {
    return element.checkVisibility({ checkVisibilityCSS: true }) && element.getClientRects().length > 0;
  }

  function spoken(element) {
    return shown(element) && !element.closest("[aria-hidden=true]");
  }

  /* The text somebody sees: without what is only read out, and without what is only decoration. */
  function seen(element) {
    const copy = element.cloneNode(true);
    copy.querySelectorAll(".visually-hidden, [aria-hidden=true], script, style").forEach(function (each) { each.remove(); });
    return copy.textContent.replace(/\s+/g, " ").trim();
  }

  function said(element) {
    const copy = element.cloneNode(true);
    copy.querySelectorAll("[aria-hidden=true], script, style").forEach(function (each) { each.remove(); });
    copy.querySelectorAll("img[alt]").forEach(function (each) { each.replaceWith(each.alt); });
    copy.querySelectorAll("svg[aria-label]").forEach(function (each) { each.replaceWith(each.getAttribute("aria-label")); });
    return (element.getAttribute("aria-label") || copy.textContent).replace(/\s+/g, " ").trim();
  }

  function name(element) {
    const id = element.id ? "#" + element.id : "";
    const field = element.getAttribute && element.getAttribute("name") ? "[name=" + element.getAttribute("name") + "]" : "";
    const words = (element.textContent || "").replace(/\s+/g, " ").trim().slice(0, 40);
    const classes = typeof element.className === "string" && element.className ? "." + element.className.trim().replace(/\s+/g, ".") : "";
    return element.tagName.toLowerCase() + id + field + classes + (words ? " “" + words + "”" : "");
  }

  function openAll() {
    document.querySelectorAll("details").forEach(function (each) { each.open = true; });
  }

  // ---------------------------------------------------------------- how the page is built

  function structure() {
    const found = [];
    const all = function (what) { return Array.from(document.querySelectorAll(what)); };
    if (!/^[a-z]{2}(-[A-Za-z]+)?$/.test(document.documentElement.lang)) found.push("html has no lang");
    if (!document.title.trim()) found.push("no title");
    if (document.querySelectorAll("main").length !== 1) found.push("not one main");

    const heads = all("h1, h2, h3, h4, h5, h6").filter(spoken);
    const ones = heads.filter(function (each) { return each.tagName === "H1"; });
    if (ones.length !== 1) found.push(ones.length + " h1");
    let level = 0;
    heads.forEach(function (each) {
      const next = Number(each.tagName[1]);
      if (next > level + 1) found.push("after h" + level + " comes " + name(each));
      if (!each.textContent.trim()) found.push("empty heading " + name(each));
      level = next;
    });

    all("svg").filter(spoken).forEach(function (svg) {
      if (svg.parentElement.closest("[role=img][aria-label]")) return;
      if (svg.closest("svg[role=img]") && svg !== svg.closest("svg[role=img]")) return;
      const label = svg.getAttribute("aria-label") || (svg.getAttribute("aria-labelledby") || "").split(" ").map(function (id) { const e = document.getElementById(id); return e ? e.textContent : ""; }).join("").trim() || (svg.querySelector(":scope > title") || { textContent: "" }).textContent;
      const role = svg.getAttribute("role");
      if (!(role === "img" || role === "group" || role === "graphics-document") || !label.trim()) found.push("drawing neither named nor hidden: " + svg.outerHTML.slice(0, 90));
    });
    all("img").filter(function (each) { return !each.hasAttribute("alt"); }).forEach(function (each) { found.push("no alt: " + each.src); });

    all("[tabindex]").filter(function (each) { return each.tabIndex > 0; }).forEach(function (each) { found.push("tabindex over 0: " + name(each)); });
    all("[aria-describedby], [aria-labelledby], [aria-controls], label[for]").forEach(function (each) {
      ["aria-describedby", "aria-labelledby", "aria-controls", "for"].forEach(function (kind) {
        (each.getAttribute(kind) || "").split(/\s+/).filter(Boolean).forEach(function (id) {
          if (!document.getElementById(id)) found.push(kind + " names nothing: " + id);
        });
      });
    });
    all("[aria-invalid=true]").forEach(function (each) {
      if (!each.getAttribute("aria-describedby")) found.push("wrong field without its error: " + name(each));
    });
    all("a[aria-label], button[aria-label], summary[aria-label], input[aria-label]").forEach(function (each) {
      const visible = seen(each).toLowerCase();
      if (/[a-z]{2}/.test(visible) && each.getAttribute("aria-label").toLowerCase().indexOf(visible) < 0) found.push("label not in name: “" + visible + "” is “" + each.getAttribute("aria-label") + "”");
    });
    all("a[href], button").filter(spoken).forEach(function (each) {
      if (!said(each)) found.push("nothing said by " + each.outerHTML.slice(0, 90));
    });
    // The same words must lead to the same place, or stand where a row, a list item or a heading tells them apart.
    const leads = {};
    all("main a[href]").filter(spoken).forEach(function (each) {
      const words = said(each).toLowerCase();
      (leads[words] = leads[words] || new Map()).set(each.getAttribute("href").split("#")[0] || location.pathname + location.search, each);
    });
    Object.keys(leads).forEach(function (words) {
      if (leads[words].size < 2) return;
      const bare = Array.from(leads[words].values()).filter(function (each) { return !each.closest("tr, li, p, dd, figure") && !each.hasAttribute("aria-describedby"); });
      if (bare.length > 1) found.push("“" + words + "” leads to " + leads[words].size + " places: " + Array.from(leads[words].keys()).slice(0, 3).join(" "));
    });
    all("a[href], button").filter(spoken).forEach(function (each) {
      if (/^(here|click here|more|read more|link|this|page)$/i.test(said(each))) found.push("says nothing alone: " + name(each));
    });
    const groups = new Set();
    all("input[type=radio]").filter(shown).forEach(function (each) {
      if (groups.has(each.name)) return;
      groups.add(each.name);
      const group = each.closest("fieldset, [role=radiogroup], [role=group]");
      const named = group && (group.getAttribute("aria-label") || group.getAttribute("aria-labelledby") || group.querySelector(":scope > legend"));
      if (!named) found.push("choices without a common name: " + each.name);
    });
    all("input[type=password]").forEach(function (each) {
      if (["current-password", "new-password"].indexOf(each.autocomplete) < 0) found.push("password field without its purpose: " + name(each));
    });
    all("main table").filter(shown).forEach(function (each) {
      if (!each.querySelector("th")) found.push("table without heads: " + name(each));
    });
    all("[hx-trigger*=every]").forEach(function (each) {
      if (!each.closest("[role=status], [aria-live], [role=progressbar]") && !each.querySelector("[role=status], [role=progressbar], [aria-live]")) found.push("changes unsaid: " + name(each));
    });
    all("[hx-target]").forEach(function (each) {
      const aim = each.getAttribute("hx-target");
      const target = aim[0] === "#" ? document.querySelector(aim) : null;
      if (target && target.id !== "main" && !target.closest("[role=status], [aria-live], [role=alert]")) found.push("what is exchanged is not announced: " + aim + " by " + name(each));
    });
    return Array.from(new Set(found));
  }

  // ---------------------------------------------------------------- what is of another language than the page

  /* On a page that is not English: texts of ours that stand there in English, and commands, without `lang`. */
  function unmarked(english) {
    if (document.documentElement.lang === "en") return [];
    const found = [];
    const ours = new Set(english);
    const judge = function (text, element) {
      const words = text.replace(/\s+/g, " ").trim();
      const marked = element.closest("[lang]");
      if (marked && marked.lang === "en") return;
      if (ours.has(words)) found.push("English, and not said to be: " + words.slice(0, 80));
      if (/\brefettle [a-z]+( [a-z]+)?/.test(words) && element.closest("code")) found.push("a command not said to be English: " + words.slice(0, 80));
    };
    const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    while (walker.nextNode()) {
      if (!walker.currentNode.parentElement.closest("script, style")) judge(walker.currentNode.data, walker.currentNode.parentElement);
    }
    judge(document.title, document.documentElement);
    document.querySelectorAll("[aria-label], [title], [alt], [placeholder]").forEach(function (each) {
      ["aria-label", "title", "alt", "placeholder"].forEach(function (kind) { judge(each.getAttribute(kind) || "", each); });
    });
    return Array.from(new Set(found));
  }

  // ---------------------------------------------------------------- reaching everything by keyboard

  /* Elements that Tab stops at, in the page's order; of each group of radio buttons one. */
  function stops() {
    const radios = new Map();
    return Array.from(document.querySelectorAll(TABBABLE)).filter(function (each) {
      if (each.disabled || each.closest("fieldset:disabled") && !each.closest("legend") || each.tabIndex < 0 || !shown(each) || each.closest("[inert]")) return false;
      if (each.tagName === "SUMMARY" && each.parentElement.tagName !== "DETAILS") return false;
      if (each.type !== "radio" || !each.name) return true;
      const key = each.name + "\u0000" + (each.form ? Array.from(document.forms).indexOf(each.form) : "");
      if (!radios.has(key)) {
        const group = Array.from(document.querySelectorAll("input[type=radio]")).filter(function (other) { return other.name === each.name && other.form === each.form; });
        radios.set(key, group.find(function (other) { return other.checked; }) || group.find(function (other) { return !other.disabled; }));
      }
      return radios.get(key) === each;
    });
  }

  function ringed(element) {
    const has = function (each) {
      if (!each) return false;
      const style = getComputedStyle(each);
      return style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
    };
    if (Number(getComputedStyle(element).opacity) > 0 && has(element)) return true;
    const label = element.id ? document.querySelector("label[for='" + CSS.escape(element.id) + "']") : null;
    return has(label) || has(element.parentElement) && element.parentElement.matches(":has(:focus-visible)") && element.tagName === "INPUT" || has(element.closest(".type-card"));
  }

  function covered(element) {
    const boxes = Array.from(element.getClientRects()).map(function (box) {
      const [left, top] = [Math.max(0, box.left), Math.max(0, box.top)];
      return { left: left, top: top, width: Math.min(window.innerWidth, box.right) - left, height: Math.min(window.innerHeight, box.bottom) - top };
    }).filter(function (box) { return box.width > 0 && box.height > 0; });
    const open = boxes.some(function (box) {
      return [[0.5, 0.5], [0.1, 0.5], [0.9, 0.5], [0.5, 0.1], [0.5, 0.9]].some(function (at) {
        const x = box.left + at[0] * box.width;
        const y = box.top + at[1] * box.height;
        if (x < 0 || y < 0 || x >= window.innerWidth || y >= window.innerHeight) return false;
        const top = document.elementFromPoint(x, y);
        return top && (top === element || element.contains(top) || top.contains(element) && top.tagName !== "BODY" && top.tagName !== "HTML" || element.labels && Array.from(element.labels).some(function (label) { return label.contains(top); }) || top.closest("label, summary, a, button") && top.closest("label, summary, a, button").contains(element));
      });
    });
    return !open;
  }

  /* Call after a real press of Tab, so that focus is shown as it is to who uses keys. */
  function reach() {
    const found = [];
    const list = stops();
    list.forEach(function (each) {
      each.focus();
      if (document.activeElement !== each) found.push("cannot be reached: " + name(each));
      else if (!ringed(each)) found.push("focus not shown: " + name(each));
      else if (covered(each)) found.push("focus hidden: " + name(each));
    });
    document.querySelectorAll("main [hx-get], main [hx-post], main [data-tap], main [onclick]").forEach(function (each) {
      if (each.matches("a, button, input, select, textarea, form, [hx-trigger*=every], [hx-trigger*=load], [hx-trigger*=revealed], [hx-trigger*=intersect]")) return;
      if (each.hasAttribute("data-tap") && each.closest("form").querySelector("input[name=left]")) return;
      if (!each.matches(TABBABLE)) found.push("only by pointer: " + name(each));
    });
    if (document.activeElement) document.activeElement.blur();
    return found;
  }

  // ---------------------------------------------------------------- room for everything

  function fits(paper) {
    const found = [];
    const wide = document.documentElement.scrollWidth - window.innerWidth;
    if (wide > 0 && !(paper && document.querySelector(".label-sheet"))) { // a sheet of labels has a page of its own
      const far = Array.from(document.querySelectorAll("body *")).filter(function (each) {
        return shown(each) && each.getBoundingClientRect().right > window.innerWidth + 1 && !(each.parentElement.closest && scrolls(each.parentElement));
      }).slice(0, 2).map(name);
      found.push(wide + " px stick out: " + far.join("; "));
    }
    document.querySelectorAll("main *, header *").forEach(function (each) {
      if (!(each instanceof HTMLElement) || each.matches("input, select, textarea, svg *, option, summary") || !shown(each)) return;
      const style = getComputedStyle(each);
      if (style.clipPath !== "none" || style.position === "absolute" && each.clientWidth <= 1) return;
      const hidden = /hidden|clip/.test(style.overflowX + style.overflowY);
      if (hidden && each.textContent.trim() && (each.scrollWidth > each.clientWidth + 1 || each.scrollHeight > each.clientHeight + 1)) found.push("text cut off: " + name(each));
      if (paper && each.matches(".label-sheet, .label-sheet *")) return;
      if (paper && /auto|scroll/.test(style.overflowX) && each.scrollWidth > each.clientWidth + 1) found.push("cut off on paper by " + (each.scrollWidth - each.clientWidth) + " px: " + name(each));
    });
    return found;
  }

  function scrolls(element) {
    for (let each = element; each && each !== document.body; each = each.parentElement) {
      if (/auto|scroll|hidden|clip/.test(getComputedStyle(each).overflowX)) return true;
    }
    return false;
  }

  // ---------------------------------------------------------------- fingers, movement, forced colours

  function small(least) {
    const found = [];
    document.querySelectorAll("main a[href], main button, main summary, main input:not([type=hidden]), main select").forEach(function (each) {
      if (!shown(each)) return;
      const label = each.labels && each.labels[0];
      const boxes = [each.getBoundingClientRect()].concat(label ? [label.getBoundingClientRect()] : []);
      if (!boxes.some(function (box) { return box.height >= least - 0.5 && box.width >= least - 0.5; })) found.push(Math.round(boxes[0].width) + "×" + Math.round(boxes[0].height) + " " + name(each));
    });
    return found;
  }

  function moving() {
    const found = [];
    document.querySelectorAll("body, body *").forEach(function (each) {
      const style = getComputedStyle(each);
      if (style.animationName !== "none" || style.transitionDuration.split(",").some(function (time) { return parseFloat(time) > 0; }) || style.scrollBehavior === "smooth") found.push("moves: " + name(each));
    });
    return found.slice(0, 3);
  }

  /* What is chosen must differ from what is not by more than a ground colour, which forced colours take away. */
  function forced() {
    const found = [];
    const look = function (each) {
      const s = getComputedStyle(each);
      return [s.borderTopWidth, s.borderTopStyle, s.borderBottomColor, s.fontWeight, s.backgroundColor, s.color, s.outlineStyle].join(" ");
    };
    document.querySelectorAll(".chip, .direction").forEach(function (each) {
      const input = each.querySelector("input");
      if (!input || !shown(each) || !input.checked) return;
      const other = Array.from(document.querySelectorAll("." + each.className.split(" ")[0] + " input:not(:checked) + label")).find(shown);
      const label = each.querySelector("label");
      if (other && look(label) === look(other)) found.push("chosen looks as not chosen: " + name(label));
    });
    [[".top li a", ".top nav"], [".job-nav li a", ".job-nav"], [".switch a", ".switch"], [".spans a", ".spans"], [".proof a", ".grid-of-proof"], [".group-parts a", ".group-list"]].forEach(function (pair) {
      const now = document.querySelector(pair[0] + "[aria-current], " + pair[0] + ".chosen");
      const other = Array.from(document.querySelectorAll(pair[0])).find(function (each) { return each !== now && each.className === (now && now.className); });
      if (now && other && shown(now) && shown(other) && look(now) === look(other)) found.push("where one is looks as elsewhere: " + name(now));
    });
    // Behind text the browser lays a plate of the page's own ground: ink of that colour is gone.
    const ground = getComputedStyle(document.body).backgroundColor;
    document.querySelectorAll("body *").forEach(function (each) {
      const own = getComputedStyle(each);
      if (each instanceof HTMLElement && own.color === ground && own.forcedColorAdjust !== "none" && shown(each) && Array.from(each.childNodes).some(function (node) { return node.nodeType === 3 && node.data.trim(); })) found.push("text as the ground: " + name(each));
    });
    // Drawings keep their colours: their ink must be that of the page.
    const ink = getComputedStyle(document.body).color;
    document.querySelectorAll("main svg text").forEach(function (each) {
      if (!shown(each)) return;
      const own = getComputedStyle(each);
      if (own.fill !== ink && !each.closest("[data-own-colours], .card-drawn, .calibration, .label-sheet")) found.push("drawing's text is " + own.fill + ", the page's " + ink + ": " + each.textContent.slice(0, 30) + " ." + (each.getAttribute("class") || ""));
    });
    return Array.from(new Set(found)).slice(0, 6);
  }

  // ---------------------------------------------------------------- contrast, WCAG 2.2, 1.4.3

  function channels(colour) {
    const parts = (colour.match(/[\d.]+/g) || []).map(Number);
    return parts.length < 3 ? null : { r: parts[0], g: parts[1], b: parts[2], a: parts.length > 3 ? parts[3] : 1 };
  }

  function over(top, below) {
    const mix = function (k) { return top.a * top[k] + (1 - top.a) * below[k]; };
    return { r: mix("r"), g: mix("g"), b: mix("b"), a: 1 };
  }

  function luminance(colour) {
    const [r, g, b] = [colour.r, colour.g, colour.b].map(function (c) {
      const s = c / 255;
      return s <= 0.04045 ? s / 12.92 : Math.pow((s + 0.055) / 1.055, 2.4);
    });
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  }

  function ratio(one, two) {
    const [a, b] = [luminance(one), luminance(two)];
    return (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  }

  function ground(element) {
    const layers = [];
    for (let each = element; each; each = each.parentElement) {
      const colour = channels(getComputedStyle(each).backgroundColor);
      if (colour && colour.a > 0) layers.push(colour);
      if (colour && colour.a === 1) break;
    }
    return layers.reduceRight(function (below, top) { return over(top, below); }, { r: 255, g: 255, b: 255, a: 1 });
  }

  /* What lies under a text of a drawing: the last shape drawn before it over whose ground its middle is. */
  function under(text) {
    const box = text.getBoundingClientRect();
    const [x, y] = [box.left + box.width / 2, box.top + box.height / 2];
    let found = ground(text.closest("svg").parentElement);
    const root = text.ownerSVGElement;
    let outer = root;
    while (outer.parentElement && outer.parentElement.closest("svg")) outer = outer.parentElement.closest("svg");
    for (const shape of outer.querySelectorAll("rect, circle, ellipse, path, polygon, text")) {
      if (shape === text) break;
      if (shape.tagName === "text") continue;
      const own = shape.getBoundingClientRect();
      if (x < own.left || x > own.right || y < own.top || y > own.bottom) continue;
      const style = getComputedStyle(shape);
      const fill = channels(style.fill);
      if (!fill || style.fill === "none" || style.display === "none") continue;
      if (shape.tagName === "path" || shape.tagName === "polygon") {
        const at = new DOMPoint(x, y).matrixTransform(shape.getScreenCTM().inverse());
        if (!shape.isPointInFill(at)) continue;
      }
      fill.a *= Number(style.fillOpacity) * Number(style.opacity);
      found = over(fill, found);
    }
    return found;
  }

  function contrast() {
    const found = new Map();
    document.querySelectorAll("body, body *").forEach(function (each) {
      if (each.matches("script, style, noscript, option, :disabled, :disabled *, .visually-hidden") || !Array.from(each.childNodes).some(function (node) { return node.nodeType === 3 && node.data.trim(); })) return;
      if (!shown(each)) return;
      const style = getComputedStyle(each);
      if (style.clipPath !== "none") return;
      const drawn = each instanceof SVGElement;
      const below = drawn ? under(each.closest("text") || each) : ground(each);
      const ink = channels(drawn ? style.fill : style.color);
      if (!ink) return;
      if (drawn) ink.a *= Number(style.fillOpacity);
      for (let p = each; p; p = p.parentElement) ink.a *= Number(getComputedStyle(p).opacity);
      const size = parseFloat(style.fontSize);
      const large = size >= 24 || size >= 18.66 && Number(style.fontWeight) >= 700;
      const got = ratio(over(ink, below), below);
      const sign = each.matches(".pl-swatch"); // a piece of the line itself, 1.4.11
      if (got < (large || sign ? 3 : 4.5) - 0.005) found.set(getComputedStyle(each).color + each.className, "contrast " + got.toFixed(2) + ": " + name(each));
    });
    return Array.from(found.values());
  }

  /* 1.4.11: the edge of what is typed into or pressed, against the page; the ring of focus too. */
  function edges() {
    const found = new Map();
    document.querySelectorAll("main input:not([type=hidden]):not([type=checkbox]):not([type=radio]), main select, main textarea, main button:not(:disabled), main .chip label, main .direction label").forEach(function (each) {
      if (!shown(each)) return;
      const style = getComputedStyle(each);
      const outside = ground(each.parentElement);
      const own = channels(style.backgroundColor);
      const edge = channels(style.borderTopColor);
      const bordered = parseFloat(style.borderTopWidth) >= 1 && edge && ratio(over(edge, outside), outside) >= 3;
      const filled = own && own.a === 1 && ratio(own, outside) >= 3;
      const worded = style.textDecorationLine !== "none" || each.matches(".sort, .plain");
      if (!bordered && !filled && !worded) found.set(each.className, "edge hard to see: " + name(each));
    });
    return Array.from(found.values());
  }

  return { contrast: contrast, edges: edges, unmarked: unmarked, openAll: openAll, structure: structure, stops: stops, reach: reach, fits: fits, small: small, moving: moving, forced: forced, name: name };
})();
