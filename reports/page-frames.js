// The list of frames: filter, order, keys, and what an opened frame shows. Only as many frames
// as the reader has scrolled to stand in the page, so that thousands cost no more than dozens.
(() => {
  const CHUNK = 16;
  const list = document.querySelector("ol.frames");
  const more = document.querySelector("button.more");
  const form = document.querySelector("form.filter");
  const { said, verdict, decide, onChange } = verdictsByHand;
  const opened = new Set();
  let shown = [];
  let drawn = 0;

  // ---- one frame ----------------------------------------------------------
  function strip(frame) {
    if (!frame.strip) return h("span", { class: "soft" }, "no star crops");
    return h("img", {
      class: "strip", src: frame.strip, width: frame.strip_width, height: frame.strip_height,
      style: `--w:${frame.strip_width}px`, loading: "lazy", decoding: "async",
      alt: `${frame.crops} stars of ${frame.name}, from the optical axis outwards`,
    });
  }

  const causeTag = (frame) => {
    const [label, meaning] = data.causes[frame.cause] ?? [frame.cause, ""];
    return frame.cause && frame.cause !== "none" ? h("b", { title: meaning }, `${label}: `) : "";
  };

  function figureCell({ key, words, unit, digits }, frame) {
    const sigma = key === "trail_px" && frame.trail_sigma_px !== null
      ? h("small", {}, ` ± ${figure(frame.trail_sigma_px, 2)}`) : "";
    return h("div", {}, h("dt", {}, words), h("dd", {}, figure(frame[key], digits), sigma,
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
          h("button", { type: "button", class: "name", title: frame.file, "aria-expanded": String(open), onclick: () => toggle(frame) }, frame.name),
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

  function compared(frame, title) {
    if (!frame) return "";
    return h("figure", { style: `--w:${frame.strip_width}px` }, strip(frame), h("figcaption", {}, h("b", {}, title), ` ${frame.name}, `, verdictTag(verdict(frame)),
      ` trail ${withUnit(frame.trail_px, "px", 2)}, FWHM ${withUnit(frame.fwhm_px, "px", 3)}`));
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
        h("label", {}, "Note ", note)),
      h("div", { class: "compare" }, compared(frame, "This frame:"), compared(neighbour(frame, "keep"), "Nearest kept:"),
        compared(neighbour(frame, "reject"), "Nearest rejected:")));
    if (frame.whiskers) {
      const before = h("div", { class: "chart" });
      const after = h("div", { class: "chart" });
      box.append(h("div", { class: "field" },
        h("figure", {}, h("figcaption", {}, "Stars of the field, as measured"), before),
        h("figure", {}, h("figcaption", {}, "The same, the lens taken out"), after)),
      h("p", { class: "soft" }, "A whisker lies along the longer side of a star; the longer it is, the more out of round (1 − b/a). What is left without the lens is motion: all alike, a drift; round about a point, a turning field. The picture lies as the sensor recorded it."));
      requestAnimationFrame(() => drawField(before, after, frame));
    }
    box.append(h("dl", { class: "figures" },
      ...data.more.map(({ key, words, unit, digits }) => h("div", {}, h("dt", {}, words), h("dd", {}, withUnit(frame[key], unit, digits)))),
      h("div", {}, h("dt", {}, "File"), h("dd", {}, frame.file))));
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
    document.getElementById(id).scrollIntoView({ block: "center" });
  }

  function go(place) {
    if (place < 0 || place >= shown.length) return;
    if (place >= drawn) extend(place + CHUNK);
    document.getElementById(shown[place].id).querySelector(".name").focus();
  }

  // Single keys count only on a frame's name, so that they disturb no one's typing.
  list.addEventListener("keydown", (event) => {
    if (!event.target.matches(".name") || event.ctrlKey || event.metaKey || event.altKey) return;
    const frame = byId.get(event.target.closest(".frame").id);
    const place = shown.indexOf(frame);
    const keys = {
      ArrowDown: () => go(place + 1), ArrowUp: () => go(place - 1), Home: () => go(0), End: () => go(shown.length - 1),
      k: () => decide(frame, "keep"), d: () => decide(frame, "doubtful"), r: () => decide(frame, "reject"), u: () => decide(frame, null),
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
  form.querySelector(".all").addEventListener("click", () => {
    form.reset();
    refilter();
  });
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
