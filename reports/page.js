"use strict";
// Charts, sorting and sieving of the frame list. The page is whole without it.
(() => {
  const data = JSON.parse(document.getElementById("session-data").textContent);
  const byId = new Map(data.frames.map((frame) => [frame.id, frame]));
  const verdicts = Object.keys(data.marks);

  // ---- charts -------------------------------------------------------------
  // Colours are the page's own variables, so that they follow its light, dark and print schemes.
  const config = {
    background: null,
    font: "system-ui, sans-serif",
    view: { stroke: null },
    axis: {
      domainColor: "var(--line)", tickColor: "var(--line)", gridColor: "var(--line)", gridOpacity: 0.7,
      labelColor: "var(--soft)", titleColor: "var(--soft)", labelFontSize: 12, titleFontSize: 12,
      titleFontWeight: "normal", labelFontWeight: "normal",
    },
  };
  const ordered = data.time_axis === "order";
  const clockName = { clock: "camera clock", utc: "UTC", order: "frame number" }[data.time_axis];
  const time = (width) => ordered
    ? { field: "time", type: "quantitative", title: clockName, scale: { zero: false, nice: false, padding: 10 } }
    : {
        field: "time", type: "temporal", title: clockName, scale: { type: "utc", padding: 10 },
        axis: { format: "%H:%M", grid: false, labelOverlap: true, tickCount: Math.max(2, Math.round(width / 75)) },
      };
  const look = {
    color: { field: "verdict", legend: null, scale: { domain: verdicts, range: verdicts.map((v) => `var(--${v})`) } },
    shape: { field: "verdict", legend: null, scale: { domain: verdicts, range: verdicts.map((v) => data.marks[v]) } },
    tooltip: [
      { field: "file", title: "file" }, { field: "clock", title: "camera clock" }, { field: "utc", title: "UTC" },
      { field: "verdict", title: "verdict" }, { field: "reason", title: "reason" },
      { field: "trail_px", title: "trail, px", format: ".2f" }, { field: "fwhm_px", title: "FWHM, px", format: ".2f" },
      { field: "stars", title: "stars" }, { field: "sky_level", title: "sky, raw units", format: ".1f" },
    ],
  };
  const points = { type: "point", filled: true, size: 400, opacity: 1, cursor: "pointer", clip: false };

  // Where a few frames are far out, an even scale would press all others flat.
  const farOut = (values) => {
    const sorted = [...values].sort((a, b) => a - b);
    return sorted.at(-1) > 15 * Math.max(sorted[Math.floor(sorted.length / 2)], 0.1);
  };

  function draw(element, spec) {
    const options = { mode: "vega-lite", renderer: "svg", actions: false, config };
    return vegaEmbed(element, { width: "container", ...spec }, options)
      .then(({ view }) => view.addEventListener("click", (_, item) => item?.datum?.id && show(item.datum.id)));
  }

  function drawRun(element) {
    const chart = data.charts[element.dataset.chart];
    const frames = data.frames.filter((f) => f.run === element.dataset.run && f[chart.field] !== null && f.time !== null);
    if (!frames.length) {
      element.textContent = "not measured in this run";
      element.classList.add("soft");
      return;
    }
    const far = farOut(frames.map((f) => f[chart.field]));
    const y = {
      field: chart.field, type: "quantitative", title: far ? "log above 1" : null,
      scale: far ? { type: "symlog", constant: 1 } : { zero: chart.field === "trail_px", nice: true },
      axis: { tickCount: 4, minExtent: 44 },
    };
    const layers = [{ mark: points, encoding: { y, ...look } }];
    if (chart.error) {
      layers.unshift({
        transform: [
          { filter: `isValid(datum.${chart.error})` },
          { calculate: `max(0, datum.${chart.field} - datum.${chart.error})`, as: "low" },
          { calculate: `datum.${chart.field} + datum.${chart.error}`, as: "high" },
        ],
        mark: { type: "rule", opacity: 0.45 },
        encoding: { y: { ...y, field: "low" }, y2: { field: "high" }, color: look.color },
      });
    }
    draw(element, {
      height: 130, autosize: { type: "fit-x", contains: "padding" }, padding: { top: 9, right: 5 },
      data: { values: frames }, encoding: { x: time(element.clientWidth - 60) }, layer: layers,
      description: `${chart.title} in ${chart.unit} against ${clockName}, one mark a frame`,
    });
  }

  function drawNight(element) {
    const runs = new Map(data.runs.map((r) => [r.run, r]));
    const wide = element.clientWidth > 460;
    const label = (r) => (wide ? `${r.number} · ${r.title}` : `run ${r.number}`);
    const frames = data.frames.filter((f) => f.time !== null).map((f) => ({ ...f, lane: label(runs.get(f.run)) }));
    draw(element, {
      height: 30 * data.runs.length, autosize: { type: "fit-x", contains: "padding" }, data: { values: frames }, mark: points,
      encoding: {
        x: time(element.clientWidth - (wide ? 190 : 60)),
        y: {
          field: "lane", type: "nominal", title: null, sort: data.runs.map(label),
          axis: { labelLimit: 170, grid: true, ticks: false, domain: false, labelColor: "var(--ink)" },
        },
        ...look,
      },
      description: "Every judged frame of the night by run and time",
    });
  }

  drawNight(document.getElementById("overview"));
  document.querySelectorAll(".chart[data-chart]").forEach(drawRun);

  // ---- sieve and order ----------------------------------------------------
  const table = document.querySelector("table.frames");
  const bodies = [...table.tBodies];
  const sieve = document.querySelector("form.sieve");

  function sift() {
    const wanted = ["verdict", "run", "cause"].map((key) => [key, sieve.elements[key].value]);
    let shown = 0;
    for (const body of bodies) {
      body.hidden = wanted.some(([key, value]) => value && body.dataset[key] !== value);
      shown += !body.hidden;
    }
    sieve.querySelector("output").textContent =
      shown === bodies.length ? `${shown} frames` : `${shown} of ${bodies.length} frames`;
    const zoom = Number(sieve.elements.zoom.value);
    table.classList.toggle("no-strips", zoom === 0);
    table.style.setProperty("--zoom", zoom || 1);
  }

  function show(id) {
    if (!byId.has(id)) return;
    if (document.getElementById(id).hidden) sieve.reset();
    sift();
    location.hash = id;
  }

  sieve.addEventListener("input", sift);
  sieve.addEventListener("submit", (event) => event.preventDefault());
  sieve.addEventListener("reset", () => setTimeout(sift));
  document.querySelectorAll("button.cause").forEach((button) =>
    button.addEventListener("click", () => {
      const run = button.closest("section.run")?.querySelector(".chart")?.dataset.run ?? "";
      sieve.elements.verdict.value = "";
      sieve.elements.run.value = run;
      sieve.elements.cause.value = button.dataset.cause;
      sift();
      sieve.scrollIntoView();
    }),
  );
  table.querySelectorAll("button.sort").forEach((button, column) =>
    button.addEventListener("click", () => {
      const head = button.closest("th");
      const down = head.getAttribute("aria-sort") === "ascending";
      table.querySelectorAll("th[aria-sort]").forEach((th) => th.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const value = (body) => body.rows[0].cells[column].dataset.v;
      bodies.sort((a, b) => {
        const [p, q] = [value(a), value(b)];
        // What is not known comes last, whichever way.
        if (p === "" || q === "") return (p === "") - (q === "");
        return down ? q - p : p - q;
      });
      table.append(...bodies);
    }),
  );
  sift();
})();
