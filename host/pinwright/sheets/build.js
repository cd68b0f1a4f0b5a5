"use strict";
// What a build sheet does beyond lying there: a conductor, a pin or a signal that is pointed at, tapped or
// reached by keyboard lights up everywhere; ticks are kept. Without it the sheet is whole.
(() => {
  const all = (selector, inside = document) => Array.from(inside.querySelectorAll(selector));
  const words = (text) => (text || "").split(" ").filter(Boolean);
  const rows = all("[data-key]"); // conductors, and links between them
  const pins = all("svg [data-pin]");
  const lines = all("svg [data-pins]");
  const labels = all("svg [data-of]");
  const signals = all("[data-group]");
  const told = document.getElementById("told");
  const none = told.textContent;
  let held = null; // what was chosen and stays lit
  let pointing = false; // between a press of the pointer and its click: focus then comes from the pointer

  // What an element stands for: a conductor by its key, a pin or a line by its pins, a signal by its group.
  const whatOf = (element) => {
    const data = element.dataset;
    if (data.pin) return { kind: "pin", id: data.pin };
    if (data.of) return { kind: "pin", id: data.of };
    if (data.pins && element.closest("svg")) return { kind: "line", id: data.pins };
    if (data.group) return { kind: "signal", id: data.group };
    return { kind: "conductor", id: element.closest("[data-key]").dataset.key };
  };
  const same = (one, other) => Boolean(one && other) && one.kind === other.kind && one.id === other.id;
  const rowsOf = (what) => rows.filter((row) => {
    if (what.kind === "conductor") return row.dataset.key === what.id;
    if (what.kind === "signal") return row.dataset.signal === what.id;
    const own = words(row.dataset.pins);
    return words(what.id).every((pin) => own.includes(pin));
  }).filter((row, place, found) => what.kind !== "pin" || row.matches("tr") || !found.some((one) => one.matches("tr")));
  const targets = [...all("tr[data-key] .number"), ...signals, ...pins, ...lines, ...labels];
  const targetOf = (node) => {
    const target = node.closest("svg [data-pin], svg [data-pins], svg [data-of], [data-group], [data-key]");
    return target && !node.closest("input, label") ? target : null;
  };

  const sentence = (what, lit) => {
    if (!lit.length) return what.kind === "pin" ? `pin ${what.id}: no conductor` : `joined: ${what.id}`;
    if (lit.length === 1) return lit[0].dataset.told;
    const numbers = lit.flatMap((row) => all(".number", row)).map((number) => number.textContent.trim());
    const signal = what.kind === "signal" ? `${lit[0].querySelector(".signal").textContent.trim()}: ` : "";
    return `${signal}conductor${numbers.length === 1 ? "" : "s"} ${numbers.join(", ")}`;
  };
  const light = (what) => {
    const lit = what ? rowsOf(what) : [];
    const names = new Set(lit.flatMap((row) => words(row.dataset.pins)));
    if (what && (what.kind === "pin" || what.kind === "line")) words(what.id).forEach((pin) => names.add(pin));
    const groups = new Set(lit.map((row) => row.dataset.signal));
    document.body.classList.toggle("lighting", names.size > 0);
    rows.forEach((row) => row.classList.toggle("lit", lit.includes(row)));
    pins.forEach((pin) => pin.classList.toggle("lit", names.has(pin.dataset.pin)));
    labels.forEach((label) => label.classList.toggle("lit", names.has(label.dataset.of)));
    lines.forEach((line) => line.classList.toggle("lit", words(line.dataset.pins).every((pin) => names.has(pin))));
    signals.forEach((signal) => {
      const row = signal.closest("tr");
      signal.classList.toggle("lit", row ? lit.includes(row) : groups.has(signal.dataset.group));
    });
    told.textContent = what ? sentence(what, lit) : none;
  };
  const hold = (what) => {
    held = what;
    targets.forEach((target) => {
      if (target.hasAttribute("aria-pressed")) target.setAttribute("aria-pressed", String(same(whatOf(target), held)));
    });
    light(held);
  };
  const toggle = (what) => hold(same(what, held) ? null : what);

  // The keyboard: one stop of the Tab key for each column and each drawing, arrows within.
  const stops = [all("tr[data-key] .number"), all("tr[data-key] .signal[data-group]")];
  all("svg").forEach((svg) => stops.push(all("[data-pin]", svg)));
  const stopOf = new Map();
  const labelOf = (element) => {
    const row = element.closest("tr");
    if (row && !element.dataset.group) return row.dataset.told;
    if (element.dataset.group) return `signal ${element.textContent.trim()}`;
    const [own] = rowsOf(whatOf(element));
    return own ? `pin ${element.dataset.pin}: ${own.dataset.told}` : `pin ${element.dataset.pin}: no conductor`;
  };
  stops.forEach((stop) => stop.forEach((element, place) => {
    stopOf.set(element, stop);
    element.setAttribute("role", "button");
    element.setAttribute("tabindex", place ? "-1" : "0");
    element.setAttribute("aria-pressed", "false");
    element.setAttribute("aria-label", labelOf(element));
  }));
  const go = (element) => {
    stopOf.get(element).forEach((other) => other.setAttribute("tabindex", other === element ? "0" : "-1"));
    element.focus();
  };
  const middle = (element) => {
    const box = element.getBoundingClientRect();
    return [box.left + box.width / 2, box.top + box.height / 2];
  };
  const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  const nearest = (element, [dx, dy]) => {
    const [x, y] = middle(element);
    let best = null;
    stopOf.get(element).forEach((other) => {
      const [ox, oy] = middle(other);
      const ahead = (ox - x) * dx + (oy - y) * dy;
      const beside = Math.abs((ox - x) * dy) + Math.abs((oy - y) * dx);
      const far = ahead + 3 * beside;
      if (ahead > 0.5 && ahead >= beside && (!best || far < best.far)) best = { far, other };
    });
    return best && best.other;
  };
  const beside = (element, [dx, dy]) => {
    if (element.closest("svg")) return nearest(element, [dx, dy]);
    const column = stopOf.get(element);
    if (dy) return column[column.indexOf(element) + dy];
    const row = element.closest("tr");
    return row.querySelector(dx > 0 ? ".signal[data-group]" : ".number");
  };

  document.addEventListener("pointerover", (event) => {
    const target = targetOf(event.target);
    if (target && !held && event.pointerType === "mouse") light(whatOf(target));
  });
  document.addEventListener("pointerout", (event) => {
    if (!held && event.pointerType === "mouse" && targetOf(event.target)) light(null);
  });
  document.addEventListener("pointerdown", () => { pointing = true; });
  document.addEventListener("pointercancel", () => { pointing = false; });
  document.addEventListener("click", (event) => {
    pointing = false;
    const target = targetOf(event.target);
    if (target) toggle(whatOf(target));
    else if (!event.target.closest("input, label, button")) hold(null);
  });
  document.addEventListener("focusin", (event) => {
    if (pointing || !stopOf.has(event.target)) return;
    const what = whatOf(event.target);
    if (held) hold(what);
    else light(what);
  });
  document.addEventListener("focusout", () => { if (!held && !pointing) light(null); });
  document.addEventListener("keydown", (event) => {
    pointing = false;
    if (event.key === "Escape") hold(null);
    const element = event.target;
    if (!stopOf.has(element) || event.ctrlKey || event.metaKey || event.altKey) return;
    const stop = stopOf.get(element);
    if (event.key === "Enter" || event.key === " ") toggle(whatOf(element));
    else if (event.key === "Home") go(stop[0]);
    else if (event.key === "End") go(stop[stop.length - 1]);
    else if (ways[event.key]) {
      const next = beside(element, ways[event.key]);
      if (next) go(next);
    } else return;
    event.preventDefault();
  });

  // Ticks: kept under the hash of the profile where the browser keeps anything.
  const key = `pinwright-sheet-${document.body.dataset.sheet}`;
  const ticks = all("input[type=checkbox]");
  const clear = document.getElementById("clear");
  const counted = document.getElementById("counted");
  const read = () => {
    try {
      const kept = JSON.parse(localStorage.getItem(key) || "[]");
      return Array.isArray(kept) ? kept : [];
    } catch (error) {
      return [];
    }
  };
  const show = () => {
    ticks.forEach((tick) => tick.closest("tr, li").classList.toggle("done", tick.checked));
    const of = ticks.filter((tick) => tick.closest("tr"));
    counted.textContent = `${of.filter((tick) => tick.checked).length} of ${of.length} done`;
  };
  const keep = () => {
    try {
      localStorage.setItem(key, JSON.stringify(ticks.filter((tick) => tick.checked).map((tick) => tick.id)));
    } catch (error) {
      // nothing is kept then: the ticks last as long as the page
    }
    show();
  };
  const kept = read();
  ticks.forEach((tick) => { tick.checked = kept.includes(tick.id); });
  document.addEventListener("change", keep);
  clear.hidden = false;
  clear.addEventListener("click", () => {
    ticks.forEach((tick) => { tick.checked = false; });
    keep();
  });
  show();
})();
