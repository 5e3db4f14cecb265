// The list of frames: filter, order, keys, and what an opened frame shows. Only as many frames
// as the reader has scrolled to stand in the page, so that thousands cost no more than dozens.
(() => {
  const CHUNK = 16;
  const list = document.querySelector("ol.frames");
  const more = document.querySelector("button.more");
  const form = document.querySelector("form.filter");
  const nothing = document.querySelector(".nothing");
  const { said, verdict, decide, onChange } = verdictsByHand;
  const opened = new Set();
  let pinned = null; // beside which every opened frame is shown
  let decided = null; // the last one, from which a range begins
  let shown = [];
  let drawn = 0;

  // ---- one frame ----------------------------------------------------------
  // A picture within the page waits for no one: one that is first asked for when the page is
  // printed comes too late for the paper.
  const loading = (address) => (address.startsWith("data:") ? "eager" : "lazy");

  function strip(frame) {
    if (!frame.strip) return h("span", { class: "soft" }, "no star crops");
    return h("img", {
      class: "strip", src: frame.strip, width: frame.strip_width, height: frame.strip_height,
      style: `--w:${frame.strip_width}px`, loading: loading(frame.strip), decoding: "async",
      alt: `${frame.crops} stars of ${frame.name}, from the optical axis outwards`,
    });
  }

  const causeTag = (frame) => {
    const [label, meaning] = data.causes[frame.cause] ?? [frame.cause, ""];
    return frame.cause && frame.cause !== "none" ? h("b", { title: meaning }, `${label}: `) : "";
  };

  function figureCell({ key, words, unit, digits }, frame) {
    const known = key === "trail_px" && frame[key] !== null && frame.trail_sigma_px > 0;
    const shown = known ? withError(frame[key], frame.trail_sigma_px) : figure(frame[key], digits);
    return h("div", {}, h("dt", {}, words), h("dd", {}, shown,
      frame[key] === null || !unit ? "" : h("span", { class: "unit" }, unit === "°" ? "°" : ` ${unit}`)));
  }

  function verdictCell(frame) {
    const word = verdict(frame);
    const cell = h("div", { class: "is" }, verdictTag(word));
    if (said(frame)) cell.append(h("small", {}, word === frame.rules_verdict ? "by hand" : `by hand; rules: ${frame.rules_verdict}`));
    return cell;
  }

  function draw(frame) {
    const open = opened.has(frame.id);
    const item = h("li", { class: `frame ${verdict(frame)}`, id: frame.id },
      h("div", { class: "row" },
        verdictCell(frame),
        h("div", { class: "who" },
          h("button", { type: "button", class: "name", title: visible(frame.file), "aria-expanded": String(open), onclick: () => toggle(frame) }, frame.name),
          h("small", {}, frame.clock || "no camera clock"),
          h("small", {}, frame.utc ? `${frame.utc.slice(11)} UTC` : "UTC unknown")),
        h("dl", { class: "head" }, ...data.head.map((one) => figureCell(one, frame)))),
      h("div", { class: "evidence" }, strip(frame),
        h("p", { class: "reason" }, causeTag(frame), frame.reason || "no reason given")));
    if (open) item.append(detail(frame));
    return item;
  }

  // ---- an opened frame ----------------------------------------------------
  function neighbour(frame, word) {
    let best = null;
    for (const other of frames) {
      if (other === frame || other.run !== frame.run || verdict(other) !== word || !other.strip) continue;
      if (!best || Math.abs(other.place - frame.place) < Math.abs(best.place - frame.place)) best = other;
    }
    return best;
  }

  // Where a run has nothing kept, the sharpest kept frame of the same lens.
  function sharpestOfLens(frame) {
    const lens = data.runs[frame.run].lens;
    const kept = frames.filter((one) => one !== frame && data.runs[one.run].lens === lens && verdict(one) === "keep" && one.strip && one.fwhm_px !== null);
    return kept.reduce((best, one) => (!best || one.fwhm_px < best.fwhm_px ? one : best), null);
  }

  function pin(frame) {
    const before = pinned;
    pinned = pinned === frame ? null : frame;
    [before, ...[...opened].map((id) => byId.get(id)), frame].forEach((one) => one && redraw(one));
  }

  function compared(frame, title) {
    if (!frame) return "";
    return h("figure", { style: `--w:${frame.strip_width}px` }, strip(frame), h("figcaption", {}, h("b", {}, title), ` ${frame.name}, `, verdictTag(verdict(frame)),
      ` trail ${withUnit(frame.trail_px, "px", 2)}, FWHM ${withUnit(frame.fwhm_px, "px", 3)}`));
  }

  // The whole picture, small, with the places of the star crops above.
  function picture(frame) {
    const [[width, height], ...places] = frame.crop_places.split(" ").map((place) => place.split(",").map(Number));
    const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    svg.setAttribute("aria-hidden", "true");
    places.forEach(([x, y], n) => {
      const ring = svg.appendChild(document.createElementNS("http://www.w3.org/2000/svg", "circle"));
      Object.entries({ cx: x, cy: y, r: height / 30 }).forEach(([name, value]) => ring.setAttribute(name, value));
      const number = svg.appendChild(document.createElementNS("http://www.w3.org/2000/svg", "text"));
      const [aside, anchor] = x > 0.9 * width ? [-height / 24, "end"] : [height / 24, "start"];
      const low = Math.min(Math.max(y + height / 60, height / 18), height * 0.98);
      Object.entries({ x: x + aside, y: low, "text-anchor": anchor, "font-size": height / 18 }).forEach(([name, value]) => number.setAttribute(name, value));
      number.textContent = n + 1;
    });
    return h("figure", { class: "whole" },
      h("div", {}, h("img", { src: frame.thumbnail, alt: `The whole picture of ${frame.name}, small`, loading: loading(frame.thumbnail), decoding: "async" }), svg),
      h("figcaption", {}, "The whole picture the way up that its file says; rings: where the stars of the strip stand, numbered from its left. Strips and angles are as the sensor recorded them."));
  }

  function detail(frame) {
    const note = h("input", {
      type: "text", name: "note", maxlength: 300, value: said(frame)?.note ?? "",
      onchange: (event) => decide(frame, verdict(frame), event.target.value),
    });
    const box = h("div", { class: "detail" },
      h("div", { class: "disagree", role: "group", "aria-label": `Verdict on ${frame.name}` },
        h("span", {}, "Your verdict:"),
        ...verdicts.map((word) => h("button", { type: "button", "aria-pressed": String(said(frame)?.verdict === word), onclick: () => decide(frame, word) }, mark(word), word)),
        h("button", { type: "button", disabled: !said(frame), onclick: () => decide(frame, null) }, "leave it to the rules"),
        h("button", { type: "button", "aria-pressed": String(pinned === frame), onclick: () => pin(frame) }, "pin for comparison"),
        h("label", {}, "Note ", note)),
      h("div", { class: "compare" }, compared(frame, "This frame:"),
        pinned && pinned !== frame ? compared(pinned, "Pinned:") : "",
        compared(neighbour(frame, "keep"), "Nearest kept:") || compared(sharpestOfLens(frame), "Sharpest of this lens:"),
        compared(neighbour(frame, "reject"), "Nearest rejected:")));
    if (frame.thumbnail) box.append(picture(frame));
    if (frame.whiskers) {
      const before = h("div", { class: "chart" });
      const after = h("div", { class: "chart" });
      box.append(h("div", { class: "field" },
        h("figure", {}, h("figcaption", {}, "Stars of the field, as measured"), before),
        h("figure", {}, h("figcaption", {}, "The same, the lens taken out"), after)),
      h("p", { class: "soft" }, "A whisker lies along the longer side of a star; its length is the ellipticity (1 − b/a). What is left without the lens is motion: all alike, a drift; round about a point, a turning field. The picture lies as the sensor recorded it."));
      requestAnimationFrame(() => drawField(before, after, frame));
    }
    box.append(h("dl", { class: "figures" },
      ...data.more.map(({ key, words, unit, digits }) => h("div", {}, h("dt", {}, words), h("dd", {}, withUnit(frame[key], unit, digits)))),
      h("div", {}, h("dt", {}, "File"), h("dd", {}, visible(frame.file)))));
    return box;
  }

  function redraw(frame) {
    const old = document.getElementById(frame.id);
    if (!old) return;
    const held = old.contains(document.activeElement) ? document.activeElement : null;
    const place = held && [...old.querySelectorAll("button, input")].indexOf(held);
    const item = draw(frame);
    old.replaceWith(item);
    if (held) ([...item.querySelectorAll("button, input")][place] ?? item.querySelector(".name")).focus({ preventScroll: true });
  }

  function toggle(frame, open = !opened.has(frame.id)) {
    opened[open ? "add" : "delete"](frame.id);
    redraw(frame);
  }

  // ---- filter and order ----------------------------------------------------
  const rank = (frame) => verdicts.indexOf(verdict(frame));
  // What is not known comes last, whichever way.
  const by = (key, sign = 1) => (a, b) =>
    a[key] === null || b[key] === null ? (a[key] === null) - (b[key] === null) : sign * (a[key] - b[key]);
  const first = (...orders) => (a, b) => orders.reduce((found, order) => found || order(a, b), 0) || a.place - b.place;
  const orders = {
    time: first(),
    worst: first((a, b) => rank(b) - rank(a), by("trail_px", -1), by("fwhm_px", -1)),
    best: first((a, b) => rank(a) - rank(b), by("trail_px"), by("fwhm_px")),
    "trail-down": first(by("trail_px", -1)), "trail-up": first(by("trail_px")),
    "fwhm-down": first(by("fwhm_px", -1)), "fwhm-up": first(by("fwhm_px")),
    run: first(by("run")), verdict: first((a, b) => rank(a) - rank(b)),
    cause: first((a, b) => a.cause.localeCompare(b.cause)),
  };

  function wanted() {
    const value = (name) => form.elements[name].value;
    const run = data.runs.findIndex((one) => one.run === value("run"));
    const tests = [];
    if (value("verdict") === "mine") tests.push((f) => said(f));
    else if (value("verdict")) tests.push((f) => verdict(f) === value("verdict"));
    if (run >= 0) tests.push((f) => f.run === run);
    if (value("cause")) tests.push((f) => f.cause === value("cause"));
    for (const key of ["trail", "fwhm"]) {
      const [from, to] = [value(`${key}_from`), value(`${key}_to`)];
      if (from !== "") tests.push((f) => f[`${key}_px`] !== null && f[`${key}_px`] >= Number(from));
      if (to !== "") tests.push((f) => f[`${key}_px`] !== null && f[`${key}_px`] <= Number(to));
    }
    return (frame) => tests.every((test) => test(frame));
  }

  function refilter() {
    shown = frames.filter(wanted()).sort(orders[form.elements.order.value]);
    const zoom = Number(form.elements.zoom.value);
    list.classList.toggle("no-strips", zoom === 0);
    list.style.setProperty("--zoom", zoom || 1);
    form.querySelector("output").textContent = shown.length === frames.length
      ? plural(shown.length, "frame") : `${shown.length} of ${plural(frames.length, "frame")}`;
    drawn = 0;
    list.replaceChildren();
    nothing.hidden = shown.length > 0;
    extend();
  }

  function extend(until = drawn + CHUNK) {
    list.append(...shown.slice(drawn, until).map(draw));
    drawn = Math.min(Math.max(until, drawn), shown.length);
    more.hidden = drawn >= shown.length;
    more.textContent = `Show more (${shown.length - drawn} left)`;
  }

  function show(id) {
    const frame = byId.get(id);
    if (!frame) return;
    if (!shown.includes(frame)) {
      form.reset();
      refilter();
    }
    go(shown.indexOf(frame));
    // At once: pictures that load on a long way there would push it out of the middle.
    document.getElementById(id).scrollIntoView({ block: "center", behavior: "instant" });
  }

  function go(place) {
    if (place < 0 || place >= shown.length) return;
    if (place >= drawn) extend(place + CHUNK);
    document.getElementById(shown[place].id).querySelector(".name").focus();
  }

  function showAll() {
    form.reset();
    refilter();
  }

  // A verdict from the keyboard, for one frame or for all since the last one decided; then on.
  function decideHere(frame, word, range) {
    const place = shown.indexOf(frame);
    const start = range && decided && shown.includes(decided) ? shown.indexOf(decided) : place;
    shown.slice(Math.min(start, place), Math.max(start, place) + 1).forEach((one) => decide(one, word));
    decided = frame;
    go(Math.min(place + 1, shown.length - 1));
  }

  // Single keys count only on a frame's name, so that they disturb no one's typing.
  list.addEventListener("keydown", (event) => {
    if (!event.target.matches(".name") || event.ctrlKey || event.metaKey || event.altKey) return;
    const frame = byId.get(event.target.closest(".frame").id);
    const place = shown.indexOf(frame);
    const keys = {
      ArrowDown: () => go(place + 1), ArrowUp: () => go(place - 1), Home: () => go(0), End: () => go(shown.length - 1),
      k: () => decideHere(frame, "keep", event.shiftKey), d: () => decideHere(frame, "doubtful", event.shiftKey),
      r: () => decideHere(frame, "reject", event.shiftKey), b: () => decideHere(frame, null, event.shiftKey),
      p: () => pin(frame),
      n: () => {
        toggle(frame, true);
        document.getElementById(frame.id).querySelector("[name=note]").focus();
      },
    };
    const act = keys[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (!act) return;
    event.preventDefault();
    act();
  });

  form.addEventListener("input", refilter);
  form.addEventListener("submit", (event) => event.preventDefault());
  form.querySelector(".all").addEventListener("click", showAll);
  nothing.querySelector("button").addEventListener("click", showAll);
  form.querySelectorAll("[data-all]").forEach((button) =>
    button.addEventListener("click", () => {
      const word = button.dataset.all || null;
      const question = word ? `Set all ${plural(shown.length, "frame")} shown to ${word}?` : `Leave all ${plural(shown.length, "frame")} shown to the rules?`;
      if (shown.length > 1 && !confirm(question)) return;
      shown.forEach((frame) => decide(frame, word));
    }),
  );
  onChange(redraw);
  more.addEventListener("click", () => {
    const place = drawn;
    extend();
    go(place);
  });
  new IntersectionObserver(([seen]) => seen.isIntersecting && !more.hidden && extend(), { rootMargin: "1200px" }).observe(more);
  document.querySelectorAll("button.cause").forEach((button) =>
    button.addEventListener("click", () => {
      form.reset();
      form.elements.run.value = button.dataset.run;
      form.elements.cause.value = button.dataset.cause;
      refilter();
      form.scrollIntoView();
      form.elements.cause.focus({ preventScroll: true });
    }),
  );
  addEventListener("hashchange", () => show(location.hash.slice(1)));
  // On paper there is no scrolling: every frame that passes the filter.
  addEventListener("beforeprint", () => {
    extend(shown.length);
    list.querySelectorAll("img").forEach((image) => (image.loading = "eager"));
  });
  refilter();
  if (byId.has(location.hash.slice(1))) show(location.hash.slice(1));
  drawAll(show);
})();
