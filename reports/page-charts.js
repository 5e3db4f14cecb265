// Pictures of the faults: the axis against the pole, the night, the compass of trails, the field.
const ordered = data.time_axis === "order";
const clockName = { clock: "camera clock", utc: "UTC", order: "frame number" }[data.time_axis];
// So many marks are drawn as pixels, fewer as shapes that print sharp.
const MANY = 400;

// Shapes take the page's colours as they are, and follow its light, dark and print schemes;
// pixels need them spelled out.
function paint(pixels) {
  if (!pixels) return (name) => `var(--${name})`;
  const style = getComputedStyle(document.documentElement);
  return (name) => style.getPropertyValue(`--${name}`).trim();
}

const config = (colour) => ({
  background: null,
  font: "system-ui, sans-serif",
  view: { stroke: null },
  aria: false,
  axis: {
    domainColor: colour("line"), tickColor: colour("line"), gridColor: colour("line"), gridOpacity: 0.7,
    labelColor: colour("soft"), titleColor: colour("soft"), labelFontSize: 12, titleFontSize: 12,
    titleFontWeight: "normal", labelFontWeight: "normal",
  },
});

function put(element, spec, words, { pixels = false, choose = null } = {}) {
  const options = { mode: "vega-lite", renderer: pixels ? "canvas" : "svg", actions: false, config: config(paint(pixels)), tooltip: { theme: "custom" } };
  return vegaEmbed(element, spec, options).then(({ view }) => {
    // One picture with one sentence for those who do not see it, not hundreds of marks.
    element.setAttribute("role", "img");
    element.setAttribute("aria-label", words);
    element.removeAttribute("aria-roledescription");
    element.querySelector("svg, canvas")?.setAttribute("aria-hidden", "true");
    // The place kept free for it: a night with few panels needs less.
    element.style.minHeight = "0";
    if (choose) {
      view.addEventListener("click", (_, item) => {
        if (!item?.datum?.id) return;
        // It would stay over the frame that is shown now.
        document.getElementById("vg-tooltip-element")?.classList.remove("visible");
        choose(item.datum.id);
      });
    }
    return view;
  });
}

const nice = (size) => {
  const power = 10 ** Math.floor(Math.log10(size));
  return power * [1, 2, 5, 10].find((step) => step * power >= size);
};

// Rings about the middle of a square of `side` px whose half is `reach`.
const rings = (radii, side, reach, colour) => radii.map((radius) => ({
  data: { values: [{}] },
  mark: { type: "arc", outerRadius: (radius / reach) * (side / 2), innerRadius: (radius / reach) * (side / 2), stroke: colour("line"), strokeWidth: 1, filled: false },
  encoding: { theta: { value: 0 }, theta2: { value: 2 * Math.PI } },
}));

const plane = (reach) => ({
  x: { field: "x", type: "quantitative", scale: { domain: [-reach, reach], nice: false }, axis: null },
  y: { field: "y", type: "quantitative", scale: { domain: [-reach, reach], nice: false }, axis: null },
});

const words = (values, reach, colour, more = {}) => ({
  data: { values }, mark: { type: "text", fontSize: 12, color: colour, ...more },
  encoding: { ...plane(reach), text: { field: "text" } },
});

// ---- the axis against the pole --------------------------------------------
function drawAxis(element) {
  const axis = data.axes[element.dataset.setup];
  const colour = paint(false);
  const side = Math.min(element.clientWidth, 270);
  const step = nice(Math.max(axis.total, 2 * (axis.sigma ?? 0), 1) / 2.4);
  const radii = [1, 2, 3].map((n) => n * step);
  const reach = 3.35 * step;
  const known = axis.x !== null;
  const at = plane(reach);
  const layers = [
    ...rings(radii, side, reach, colour),
    words(radii.map((r) => ({ x: r * 0.72, y: -r * 0.72, text: `${figure(r, 1)}′` })), reach, colour("soft")),
    words([{ x: 0, y: reach * 0.97, text: "up" }, { x: reach * 0.93, y: 0, text: "east" }, { x: -reach * 0.92, y: 0, text: "west" }], reach, colour("soft")),
    // The meridian hangs from the zenith through the pole, as the plumb line at the page's head.
    { data: { values: [{ x: 0, y: reach * 0.9, y2: -reach }] }, mark: { type: "rule", color: colour("brass") }, encoding: { ...at, y2: { field: "y2" } } },
    {
      data: { values: [{ x: 0, y: 0 }] },
      mark: { type: "point", shape: "M-1,0L1,0M0,-1L0,1", size: 90, stroke: colour("ink"), strokeWidth: 1.6 }, encoding: at,
    },
    words([{ x: 0, y: 0, text: "pole" }], reach, colour("ink"), { dx: axis.x > 0 ? -18 : 20, dy: axis.y > 0 ? 12 : -12 }),
  ];
  if (known) {
    layers.push(
      { data: { values: [{ x: axis.x, y: axis.y, x2: 0, y2: 0 }] }, mark: { type: "rule", color: colour("reject"), strokeDash: [4, 3] }, encoding: { ...at, x2: { field: "x2" }, y2: { field: "y2" } } },
      { data: { values: axis.ring.map(([x, y], n) => ({ x, y, n })) }, mark: { type: "line", color: colour("reject"), strokeWidth: 1.4, interpolate: "linear-closed" }, encoding: { ...at, order: { field: "n" } } },
      { data: { values: [{ x: axis.x, y: axis.y }] }, mark: { type: "point", filled: true, shape: "M0,-1L0.5,0.2L0,1L-0.5,0.2Z", size: 130, color: colour("reject"), opacity: 1 }, encoding: at },
      words([{ x: axis.x, y: axis.y, text: "axis" }], reach, colour("ink"), { dy: axis.y > 0 ? -16 : 18 }),
    );
  } else {
    const radius = (axis.total / reach) * (side / 2);
    layers.push({ data: { values: [{}] }, mark: { type: "arc", outerRadius: radius, innerRadius: radius, stroke: colour("reject"), strokeDash: [5, 4], strokeWidth: 2 }, encoding: { theta: { value: 0 }, theta2: { value: 2 * Math.PI } } });
  }
  const spoken = known
    ? `The axis seen from the pole: ${figure(Math.abs(axis.x))} arcmin ${axis.x > 0 ? "east" : "west"} and ${figure(Math.abs(axis.y))} arcmin ${axis.y > 0 ? "up" : "down"} on the sky`
    : `The axis lies somewhere on a ring ${figure(axis.total)} arcmin from the pole`;
  return put(element, { width: side, height: side, padding: 2, layer: layers }, spoken);
}

const causeOf = (frame) => (data.causes[frame.cause] ?? [frame.cause || "none"])[0];

// ---- the night on one time axis -------------------------------------------
const look = (colour) => ({
  color: { field: "is", legend: null, scale: { domain: verdicts, range: verdicts.map(colour) } },
  shape: { field: "is", legend: null, scale: { domain: verdicts, range: verdicts.map((v) => data.marks[v]) } },
  tooltip: [
    { field: "file", title: "file" }, { field: "clock", title: "camera clock" }, { field: "utc", title: "UTC" },
    { field: "is", title: "verdict" }, { field: "why", title: "cause" }, { field: "reason", title: "reason" },
    { field: "trail_px", title: "trail, px", format: ".2f" }, { field: "fwhm_px", title: "FWHM, px", format: ".2f" },
  ],
});

// Where a few frames are far out, an even scale would press all others flat.
const farOut = (values) => {
  const sorted = [...values].sort((a, b) => a - b);
  return sorted.at(-1) > 15 * Math.max(sorted[Math.floor(sorted.length / 2)], 0.1);
};

// Of labels that would lie over one another the later one is left out; its shade stays.
function labelled(spells, width, from, to) {
  let free = -Infinity;
  return spells.filter((spell) => {
    const at = ((spell.start - from) / (to - from || 1)) * width;
    if (at < free) return false;
    free = at + 7 * spell.label.length + 8;
    return true;
  });
}

const GUTTER = 104; // px, for what the curves are called

// Heights of Sun and Moon above the horizon, where time and place are known.
function aloft(time, colour, width, shade) {
  if (!data.sky) return null;
  const bodies = [["Sun", data.sky.sun], ["Moon", data.sky.moon]];
  const values = bodies.flatMap(([body, heights]) => heights.map((height, n) => ({ body, height, time: data.sky.time[n] })));
  const kinds = bodies.map(([body]) => body);
  const y = {
    field: "height", type: "quantitative", scale: { nice: true },
    axis: { tickCount: 3, minExtent: 34, title: ["Sun, Moon", "°"], titleAngle: 0, titleAlign: "left", titleAnchor: "end", titleX: -GUTTER, titleY: 8, titleColor: colour("ink") },
  };
  const lines = { color: { field: "body", legend: null, scale: { domain: kinds, range: [colour("brass"), colour("soft")] } }, strokeDash: { field: "body", legend: null, scale: { domain: kinds, range: [[1, 0], [5, 3]] } } };
  return {
    width, height: 78, data: { values },
    layer: [
      shade,
      { data: { values: [{ height: 0 }] }, mark: { type: "rule", color: colour("ink"), opacity: 0.5 }, encoding: { y } },
      { mark: { type: "line", strokeWidth: 1.6 }, encoding: { x: time(false), y, ...lines } },
      ...bodies.map(([body, heights], n) => ({
        data: { values: [{ body, height: heights[0], time: data.sky.time[0] }] },
        // The higher one's name above its line, the other's below, so that they never meet.
        mark: { type: "text", align: "left", dx: 4, dy: heights[0] > bodies[1 - n][1][0] || (n === 0 && heights[0] === bodies[1][1][0]) ? -7 : 9, fontSize: 11 },
        encoding: { x: time(false), y, text: { field: "body" }, color: lines.color },
      })),
    ],
  };
}

function drawNight(element, choose) {
  const label = (run) => `run ${run.number}`;
  // Only what is drawn or told: the library copies every field of every mark.
  const fields = new Set(["id", "file", "run", "time", "clock", "utc", "reason", "trail_px", "fwhm_px"]);
  data.night.forEach((panel) => [panel.field, panel.error].forEach((field) => field && fields.add(field)));
  const timed = frames.filter((f) => f.time !== null).map((f) => ({
    ...Object.fromEntries([...fields].map((field) => [field, f[field]])),
    is: verdictsByHand.verdict(f), lane: label(data.runs[f.run]), why: causeOf(f),
  }));
  if (!timed.length) {
    element.textContent = "no frame has a time";
    return Promise.resolve();
  }
  const pixels = timed.length > MANY;
  const colour = paint(pixels);
  const wide = element.clientWidth > 620;
  const width = Math.max(element.clientWidth - GUTTER - 12, 160);
  const [from, to] = [Math.min(...timed.map((f) => f.time)), Math.max(...timed.map((f) => f.time))];
  const edge = (to - from || 1) * 0.02;
  const domain = [from - edge, Math.max(to, ...data.spells.map((s) => s.end)) + edge];
  // A whole number of minutes between ticks, as a clock has it.
  const minutes = [1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720].find((m) => ((to - from) / 60000 / m) * 70 < width) ?? 1440;
  const first = Math.ceil(domain[0] / (minutes * 60000));
  const count = Math.floor(domain[1] / (minutes * 60000)) - first + 1;
  const ticks = ordered ? {} : { values: Array.from({ length: Math.max(count, 0) }, (_, n) => (first + n) * minutes * 60000), labelExpr: "utcFormat(datum.value, '%H:%M')" };
  const plain = (field = "time") => ({ field, type: "quantitative", title: null });
  const time = (last) => ({
    ...plain(), title: last ? clockName : null, scale: { domain, nice: false, zero: false },
    axis: { ...ticks, grid: true, labels: last, ticks: last, labelOverlap: true },
  });
  const shade = {
    data: { values: data.spells }, mark: { type: "rect", color: colour("reject"), opacity: 0.13, clip: true },
    encoding: { x: plain("start"), x2: { field: "end" } },
  };
  const size = pixels ? 60 : wide ? 260 : 160;
  const point = { type: "point", filled: true, size, opacity: pixels ? 0.8 : 1, cursor: "pointer" };
  // What a run is stands beside its marks, where there is room.
  const beside = data.runs.flatMap((run, n) => {
    const mine = timed.filter((f) => f.run === n).map((f) => f.time);
    if (!mine.length || !wide) return [];
    const [start, end] = [Math.min(...mine), Math.max(...mine)];
    const after = domain[1] - end > start - domain[0];
    return [{ lane: label(run), text: run.title, time: after ? end : start, after }];
  });
  const title = (...text) => ({ title: text, titleAngle: 0, titleAlign: "left", titleAnchor: "end", titleX: -GUTTER, titleY: 8, titleColor: colour("ink") });
  // What is wider than the gutter would lie over the numbers of the axis.
  const in_lines = (text) => (text.length > 12 ? text.split(" ") : [text]);
  const lane = { field: "lane", type: "nominal", sort: data.runs.map(label) };
  const note = (after) => ({
    data: { values: beside.filter((one) => one.after === after) },
    mark: { type: "text", align: after ? "left" : "right", dx: after ? 12 : -12, fontSize: 11, color: colour("soft") },
    encoding: { x: plain(), y: lane, text: { field: "text" } },
  });
  const lanes = {
    width, height: Math.max(22 * data.runs.length, 30),
    layer: [
      shade,
      { mark: point, encoding: { x: time(false), ...look(colour), y: { ...lane, axis: { title: null, grid: true, ticks: false, domain: false, labelColor: colour("ink") } } } },
      note(true), note(false),
    ],
  };
  const names = {
    width, height: 16, data: { values: labelled(data.spells, width, ...domain) },
    mark: { type: "text", align: "left", baseline: "middle", fontSize: 12, fontWeight: "bold", color: colour("reject") },
    encoding: { x: { ...time(false), field: "start", axis: null }, text: { field: "label" } },
  };
  const panels = data.night.map((panel, n) => {
    const known = timed.filter((f) => f[panel.field] !== null);
    const far = !panel.down && farOut(known.map((f) => f[panel.field]));
    const fromZero = ["trail_px", "drift_px"].includes(panel.field);
    const values = known.map((f) => f[panel.field]);
    const [low, high] = [fromZero ? 0 : Math.min(...values), Math.max(...values)];
    const lacks = Math.max(panel.least_span - (high - low), panel.least_part * high - (high - low), 0);
    const wider = lacks && !far ? { domain: fromZero ? [0, high + lacks] : [low - lacks / 2, high + lacks / 2] } : {};
    const y = {
      field: panel.field, type: "quantitative",
      scale: { ...(far ? { type: "symlog", constant: 1 } : { zero: fromZero, nice: true, ...wider }), reverse: panel.down },
      axis: { tickCount: 3, format: high >= 1000 ? "~s" : "~r", minExtent: 34, ...title(...in_lines(panel.title), far ? `${panel.unit}, log` : panel.unit) },
    };
    const layer = [shade, { mark: point, encoding: { x: time(n === data.night.length - 1), y, ...look(colour) } }];
    if (panel.error) {
      layer.splice(1, 0, {
        transform: [
          { filter: `isValid(datum.${panel.error})` },
          { calculate: `max(0, datum.${panel.field} - datum.${panel.error})`, as: "low" },
          { calculate: `datum.${panel.field} + datum.${panel.error}`, as: "high" },
        ],
        mark: { type: "rule", opacity: 0.45 },
        encoding: { x: plain(), y: { ...y, field: "low" }, y2: { field: "high" }, color: look(colour).color },
      });
    }
    return known.length ? { width, height: 78, transform: [{ filter: `isValid(datum.${panel.field})` }], layer } : null;
  });
  const stack = [...panels.slice(0, -1), aloft(time, colour, width, shade), panels.at(-1)].filter(Boolean);
  const spec = { data: { values: timed }, vconcat: [names, lanes, ...stack], spacing: 9, padding: { left: 0, top: 4, right: 4, bottom: 4 }, autosize: { type: "pad" }, resolve: { scale: { x: "independent", color: "independent", strokeDash: "independent" } } };
  const spells = data.spells.map((s) => `${s.label} in ${plural(s.frames, "frame")}`).join(", ");
  return put(element, spec, `Every judged frame against ${clockName}: ${data.night.map((p) => p.title.toLowerCase()).join(", ")}. ${spells ? `Lost: ${spells}.` : "No frame lost."}`, { pixels, choose });
}

// ---- the compass of trails --------------------------------------------------
function drawCompass(element, choose) {
  const colour = paint(false);
  const run = Number(element.dataset.run);
  const mine = frames.filter((f) => f.run === run && f.trail_pa_deg !== null && f.trail_px !== null);
  const side = Math.min(element.clientWidth, 270);
  const lengths = mine.map((f) => f.trail_px).sort((a, b) => a - b);
  const usual = lengths[Math.floor(0.9 * (lengths.length - 1))];
  // A few trails far longer than the rest run over the rim rather than hide them.
  const most = lengths.at(-1) > 4 * usual ? 2 * usual : lengths.at(-1);
  const step = nice(Math.max(most, 0.5) / 2.6);
  const reach = 3.5 * step;
  const at = plane(reach);
  const way = (degrees, length) => ({ x: -length * Math.sin((degrees * Math.PI) / 180), y: length * Math.cos((degrees * Math.PI) / 180) });
  const lines = mine.map((f) => {
    const length = Math.min(f.trail_px, 3.2 * step);
    const [a, b] = [way(f.trail_pa_deg, length), way(f.trail_pa_deg + 180, length)];
    return { ...f, is: verdictsByHand.verdict(f), why: causeOf(f), x: a.x, y: a.y, x2: b.x, y2: b.y };
  });
  const down = mine.filter((f) => f.zenith_pa_deg !== null).map((f) => f.zenith_pa_deg + 180);
  const rim = down.map((angle) => ({ ...way(angle, 3.05 * step), ...Object.fromEntries(Object.entries(way(angle, 3.4 * step)).map(([k, v]) => [`${k}2`, v])) }));
  const both = { ...at, x2: { field: "x2" }, y2: { field: "y2" } };
  // The names of the two directions keep out of the way of "down".
  const summed = (part) => down.reduce((sum, angle) => sum + part((angle * Math.PI) / 180), 0);
  const mean = Math.atan2(summed(Math.sin), summed(Math.cos)) * (180 / Math.PI);
  const { x: east, y: north } = down.length ? way(mean, 1) : { x: -1, y: -1 };
  const layers = [
    ...rings([step, 2 * step, 3 * step], side, reach, colour),
    { data: { values: [{ x: -3 * step, x2: 3 * step, y: 0, y2: 0 }, { x: 0, x2: 0, y: -3 * step, y2: 3 * step }] }, mark: { type: "rule", color: colour("line") }, encoding: both },
    { data: { values: rim }, mark: { type: "rule", color: colour("brass"), strokeWidth: 2.5 }, encoding: both },
    {
      data: { values: lines }, mark: { type: "rule", strokeWidth: 2, strokeCap: "round", cursor: "pointer", clip: true },
      encoding: {
        ...both, color: look(colour).color, tooltip: look(colour).tooltip,
        strokeDash: { field: "is", legend: null, scale: { domain: verdicts, range: [[6, 2], [2, 3], [1, 0]] } },
      },
    },
    words([1, 2, 3].map((n) => ({ x: n * step * 0.72, y: -n * step * 0.72, text: figure(n * step, 1) })), reach, colour("soft")),
    words([{ x: 0, y: reach * 0.95, text: "N" }, { x: -reach * 0.95, y: 0, text: "E" }], reach, colour("ink")),
    words([{ x: (east > 0.7 ? -1.9 : 1.9) * step, y: 0, text: "right ascension" }], reach, colour("soft"), { dy: 10, fontSize: 11 }),
    words([{ x: 0, y: (north > 0.7 ? -2.5 : 2.5) * step, text: "declination" }], reach, colour("soft"), { dx: 4, align: "left", fontSize: 11 }),
  ];
  if (down.length) {
    layers.push(words([{ ...way(mean, 2.72 * step), text: "down" }], reach, colour("ink"), { fontWeight: "bold" }));
  }
  return put(element, { width: side, height: side, padding: 2, layer: layers }, `Trails of ${plural(mine.length, "frame")} as axes on the sky; north up, east left`, { choose });
}

// ---- the field of one frame --------------------------------------------------
const WHISKER = 0.15; // of the picture's width, for a star that is a line

function starsOf(frame) {
  const bytes = Uint8Array.from(atob(frame.whiskers), (c) => c.charCodeAt(0));
  const stars = [];
  for (let n = 0; n + 5 < bytes.length; n += 6) stars.push([...bytes.subarray(n, n + 6)].map((byte) => byte / 255));
  return stars;
}

function drawField(before, after, frame) {
  const stars = starsOf(frame);
  const [width, height] = data.runs[frame.run].picture;
  [[before, 2, "as measured"], [after, 4, "without the lens"]].forEach(([element, column, name]) => {
    const colour = paint(false);
    const side = Math.min(element.clientWidth - 4, 460);
    const lines = stars.map((star) => {
      const reach = (star[column] * WHISKER * width) / 2;
      const turn = star[column + 1] * Math.PI;
      const [x, y] = [star[0] * width, star[1] * height];
      return { x: x - reach * Math.cos(turn), y: y - reach * Math.sin(turn), x2: x + reach * Math.cos(turn), y2: y + reach * Math.sin(turn), cx: x, cy: y };
    });
    const x = (field) => ({ field, type: "quantitative", scale: { domain: [0, width], nice: false }, axis: null });
    const y = (field) => ({ field, type: "quantitative", scale: { domain: [0, height], nice: false, reverse: true }, axis: null });
    const sorted = stars.map((star) => star[column]).sort((a, b) => a - b);
    const key = { x: 0.03 * width, x2: (0.03 + 0.3 * WHISKER) * width, y: 0.955 * height, text: "ellipticity 0.3" };
    put(element, {
      width: side, height: (side * height) / width, padding: 1, view: { stroke: colour("line") },
      layer: [
        { data: { values: lines }, mark: { type: "rule", color: colour("keep"), strokeWidth: 1.6, clip: true }, encoding: { x: x("x"), y: y("y"), x2: { field: "x2" }, y2: { field: "y2" } } },
        { data: { values: lines }, mark: { type: "circle", size: 7, color: colour("ink"), opacity: 1 }, encoding: { x: x("cx"), y: y("cy") } },
        { data: { values: [key] }, mark: { type: "rule", color: colour("ink"), strokeWidth: 3 }, encoding: { x: x("x"), x2: { field: "x2" }, y: y("y") } },
        { data: { values: [key] }, mark: { type: "text", align: "left", dx: 6, fontSize: 11, color: colour("ink") }, encoding: { x: x("x2"), y: y("y"), text: { field: "text" } } },
      ],
    }, `${plural(stars.length, "star")} of ${frame.name} ${name}: median ellipticity ${figure(sorted[sorted.length >> 1], 2)}`);
  });
}

// ---- drawing, when there is time ----------------------------------------------
// What the reader sees comes first; the rest is drawn while nothing else is to be done, so
// that it is there when the page is printed.
function drawAll(choose) {
  const charts = [...document.querySelectorAll(".chart.axis, .chart.compass, #night-chart")];
  const how = (element) => element.matches(".axis") ? drawAxis(element) : element.matches(".compass") ? drawCompass(element, choose) : drawNight(element, choose);
  const width = new Map();
  const todo = new Set(charts);
  // A busy machine is never idle: what is to be drawn waits no longer than this.
  const idle = () => new Promise((go) => window.requestIdleCallback ? requestIdleCallback(go, { timeout: 300 }) : setTimeout(go, 30));
  let drawing = false;
  const draw = async () => {
    if (drawing) return;
    drawing = true;
    while (todo.size) {
      await idle();
      const [element] = todo;
      todo.delete(element);
      width.set(element, element.clientWidth);
      try {
        await how(element);
      } catch (fault) {
        // The others are still to be seen.
        console.error(fault);
      }
    }
    drawing = false;
  };
  const resized = new ResizeObserver((entries) => {
    const changed = entries.map((entry) => entry.target)
      .filter((element) => width.has(element) && Math.abs(width.get(element) - element.clientWidth) > 12);
    changed.forEach((element) => todo.add(element));
    if (changed.length) draw();
  });
  charts.forEach((element) => resized.observe(element));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    if (frames.length > MANY) todo.add(document.getElementById("night-chart"));
    draw();
  });
  verdictsByHand.onChange(() => {
    clearTimeout(drawAll.later);
    drawAll.later = setTimeout(() => {
      charts.filter((element) => !element.matches(".axis")).forEach((element) => todo.add(element));
      draw();
    }, 800);
  });
  // After the list has been seen for the first time.
  requestAnimationFrame(() => setTimeout(draw));
}
