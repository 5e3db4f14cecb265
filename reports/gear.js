"use strict";
// Counts the season again for chosen nights, lenses and causes; draws and saves the charts.
(() => {
  const data = JSON.parse(document.getElementById("gear-data").textContent);
  const { groups, names } = data;
  const size = groups.n.length;
  const percent = (share) => (share === null ? "–" : `${(100 * share).toFixed(0)}%`);
  const hours = (seconds) => {
    if (seconds < 59.5) return `${seconds.toFixed(0)} s`;
    const minutes = Math.round(seconds / 60);
    return minutes >= 60 ? `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min` : `${minutes} min`;
  };

  // ---- intervals ----------------------------------------------------------
  const Z = 1.959963984540054; // the normal quantile of 97.5%
  function wilson(k, n) {
    const p = k / n, q = (Z * Z) / n;
    const half = Z * Math.sqrt((p * (1 - p)) / n + q / (4 * n));
    return [Math.max(0, (p + q / 2 - half) / (1 + q)), Math.min(1, (p + q / 2 + half) / (1 + q))];
  }

  const called = (value, key) => {
    if (value === null || value === "") return "not known";
    const text = typeof value === "number" ? String(Number(value.toPrecision(4))) : value;
    return key === "setting" ? `${text} s` : text;
  };
  const between = (pair) => `${percent(pair[0])} to ${percent(pair[1])}`;

  // ---- counting -----------------------------------------------------------
  const chosen = { night: new Set(names.night.keys()), lens: new Set(names.lens.keys()), cause: new Set() };
  names.cause.forEach((cause, n) => data.excluded.includes(cause) || chosen.cause.add(n));
  const KEEP = names.verdict.indexOf("keep");
  const DOUBTFUL = names.verdict.indexOf("doubtful");
  const isChosen = (n) => chosen.night.has(groups.night[n]) && chosen.lens.has(groups.lens[n]);

  function count(keys) {
    const cells = new Map();
    for (let n = 0; n < size; n++) {
      if (!isChosen(n)) continue;
      const places = keys.map((key) => groups[key][n]);
      const id = places.join();
      if (!cells.has(id)) {
        cells.set(id, { places, judged: 0, keep: 0, doubtful: 0, reject: 0, excluded: 0, seconds: 0, kept: 0, nights: new Set() });
      }
      const cell = cells.get(id);
      const [shots, verdict] = [groups.n[n], groups.verdict[n]];
      cell.nights.add(groups.night[n]);
      cell.seconds += groups.seconds[n];
      if (verdict !== KEEP && !chosen.cause.has(groups.cause[n])) {
        cell.excluded += shots;
        continue;
      }
      cell.judged += shots;
      if (verdict === KEEP) [cell.keep, cell.kept] = [cell.keep + shots, cell.kept + groups.seconds[n]];
      else if (verdict === DOUBTFUL) cell.doubtful += shots;
      else cell.reject += shots;
    }
    const rows = [...cells.values()];
    for (const cell of rows) {
      cell.keys = cell.places.map((place, n) => (place === null ? null : names[keys[n]][place]));
      cell.rate = cell.judged ? cell.keep / cell.judged : null;
      [cell.low, cell.high] = cell.judged ? wilson(cell.keep, cell.judged) : [null, null];
      cell.words = `${cell.keep} of ${cell.judged}`;
      cell.told = `${cell.keys.map((key, n) => called(key, keys[n])).join(", ")}: ${cell.words} kept, ${percent(cell.rate)} (${between([cell.low, cell.high])})`;
    }
    const rank = (place) => (place === null ? Infinity : place);
    return rows.sort((a, b) => {
      const n = a.places.findIndex((place, i) => place !== b.places[i]);
      return n < 0 ? 0 : rank(a.places[n]) - rank(b.places[n]);
    });
  }

  function countLosses() {
    const byCause = new Map();
    for (let n = 0; n < size; n++) {
      if (!isChosen(n) || groups.verdict[n] === KEEP) continue;
      const cause = groups.cause[n];
      const label = data.labels[names.cause[cause]];
      const row = byCause.get(cause) ?? { cause, label, frames: 0, doubtful: 0, minutes: 0, aloneFrames: 0, alone: 0 };
      byCause.set(cause, row);
      row.frames += groups.n[n];
      row.minutes += groups.seconds[n] / 60;
      if (groups.verdict[n] === DOUBTFUL) row.doubtful += groups.n[n];
      if (groups.alone[n]) [row.aloneFrames, row.alone] = [row.aloneFrames + groups.n[n], row.alone + groups.seconds[n] / 60];
    }
    const rows = [...byCause.values()].sort((a, b) => b.minutes - a.minutes);
    for (const row of rows) {
      row.words = `${row.frames} frame${row.frames === 1 ? "" : "s"}`;
      row.told = `${row.label}: ${row.words}, ${row.minutes.toFixed(1)} min, ${row.alone.toFixed(1)} min of it with nothing else wrong`;
    }
    return rows;
  }

  // ---- tables -------------------------------------------------------------
  function cell(tag, value, text) {
    const element = document.createElement(tag);
    if (tag === "th") element.scope = "row";
    element.dataset.v = value ?? "";
    element.textContent = text;
    return element;
  }
  function fill(id, rows) {
    const body = document.querySelector(`#table-${id} tbody`);
    body.replaceChildren(...rows.map((cells) => {
      const row = document.createElement("tr");
      row.append(...cells);
      return row;
    }));
    document.querySelectorAll(`#table-${id} th[aria-sort]`).forEach((th) => th.removeAttribute("aria-sort"));
  }
  function fillBreakdown({ id, keys }) {
    fill(id, count(keys).map((row) => {
      return [
        ...row.keys.map((key) => cell("th", key, called(key))),
        cell("td", row.keep, row.words), cell("td", row.rate, percent(row.rate)),
        cell("td", row.low, row.judged ? between([row.low, row.high]) : "–"),
        cell("td", row.doubtful, row.doubtful), cell("td", row.reject, row.reject), cell("td", row.excluded, row.excluded),
        cell("td", row.nights.size, row.nights.size),
        cell("td", row.seconds, hours(row.seconds)), cell("td", row.kept, hours(row.kept)),
      ];
    }));
  }
  function sort(button) {
    const head = button.closest("th");
    const column = [...head.parentElement.cells].indexOf(head);
    const down = head.getAttribute("aria-sort") === "ascending";
    head.parentElement.querySelectorAll("th").forEach((th) => th.removeAttribute("aria-sort"));
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    const body = head.closest("table").tBodies[0];
    const value = (row) => row.cells[column].dataset.v;
    body.append(...[...body.rows].sort((a, b) => {
      const [p, q] = [value(a), value(b)];
      if (p === "" || q === "") return (p === "") - (q === ""); // unknown comes last, whichever way
      const order = Number.isNaN(Number(p) + Number(q)) ? p.localeCompare(q) : p - q;
      return down ? -order : order;
    }));
  }

  // ---- charts -------------------------------------------------------------
  const ONWHITE = { paper: "#ffffff", ink: "#16202a", soft: "#586572", line: "#d3dae0" };
  function onPage() {
    const style = getComputedStyle(document.documentElement);
    return Object.fromEntries(Object.keys(ONWHITE).map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
  }
  const filled = (spec, values) => JSON.parse(JSON.stringify(spec), (_, value) =>
    typeof value === "string" && value[0] === "$" ? values[value.slice(1)] : value);

  function rowsOf(chart) {
    if (chart === "calibration") return data.calibration.map((row) => ({ ...row, told: `predicted ${percent(row.predicted)}: ${row.kept} of ${row.judged} kept, ${percent(row.rate)} (${between([row.low, row.high])})` }));
    if (chart === "reach") return data.reach;
    if (chart === "losses") return countLosses();
    if (chart === "nights") return count(["night"]).filter((row) => row.judged).map(({ keys, rate, low, high, told }) => ({ night: keys[0], rate, low, high, told }));
    const cells = count(["lens", "setting"]).filter((row) => row.judged && row.keys[1] !== null).map((row) => {
      const lens = row.places[0];
      return {
        kind: "seen", lens: row.keys[0], setting: row.keys[1], words: row.words, told: row.told,
        rate: row.rate, low: row.low, high: row.high,
        path: data.lens_scale[lens] ? (data.sidereal_arcsec_s * row.keys[1]) / data.lens_scale[lens] : null,
      };
    });
    if (chart === "cells") return cells;
    const lenses = new Set([...chosen.lens].map((n) => names.lens[n]));
    // The model's line is kept in pixels of path; people set seconds.
    const seconds = (row) => ({ ...row, setting: (row.path * data.lens_scale[names.lens.indexOf(row.lens)]) / data.sidereal_arcsec_s });
    return [...data.curves.filter((row) => lenses.has(row.lens)).map(seconds), ...cells.filter((row) => row.path !== null)];
  }
  function settings() {
    const total = count([])[0];
    const dates = [...chosen.night].map((n) => names.night[n]).filter((name) => /^\d{4}/.test(name)).map((name) => name.slice(0, 10)).sort();
    const all = (key) => chosen[key].size === names[key].length;
    const excluded = names.cause.filter((cause, n) => cause && !chosen.cause.has(n)).map((cause) => data.labels[cause]);
    return [
      `${total ? total.words : "0 of 0"} judged frames kept; ${chosen.night.size} night${chosen.night.size === 1 ? "" : "s"}${dates.length ? `, ${dates[0]}${dates[0] === dates.at(-1) ? "" : ` to ${dates.at(-1)}`}` : ""}`,
      `${all("lens") ? "all lenses" : [...chosen.lens].map((n) => names.lens[n]).join(", ")}; doubtful counts as not kept; not counted: ${excluded.join(", ") || "none"}`,
    ];
  }
  function specOf(chart, colours, titled, most) {
    const rows = rowsOf(chart);
    const from = Math.floor(10 * Math.min(0.9, ...data.calibration.map((row) => Math.min(row.predicted, row.low)))) / 10;
    const width = Math.max(Math.min(most - data.room[chart], data.widest[chart]), 80);
    const spec = filled({ ...data.charts[chart], config: data.config }, { ...colours, from, width, lenses: names.lens });
    spec.description = `${data.titles[chart]}; the same in numbers in the table below`;
    if (titled) spec.title = { text: data.titles[chart], subtitle: chart === "calibration" ? [`all nights; ${data.calibration.reduce((sum, row) => sum + row.judged, 0)} judged frames; 95% intervals`] : settings() };
    return { ...spec, data: { values: rows } };
  }
  const embed = (element, spec) => vegaEmbed(element, spec, { mode: "vega-lite", renderer: "svg", actions: false, tooltip: { theme: "custom" } });

  async function draw() {
    for (const figure of document.querySelectorAll(".gear-chart")) {
      const chart = figure.dataset.chart;
      const place = figure.querySelector(".chart");
      const rows = rowsOf(chart);
      figure.querySelector(".save").hidden = !rows.length;
      if (!rows.length) {
        place.textContent = "nothing to draw";
        continue;
      }
      const spec = specOf(chart, { ...onPage(), paper: "transparent" }, false, place.clientWidth);
      await embed(place, spec);
      // What only holds others together needs no name, and so no role.
      for (const part of place.querySelectorAll("svg [role]:not([aria-label])")) {
        part.removeAttribute("role");
        part.removeAttribute("aria-roledescription");
      }
    }
  }
  async function save(chart, kind) {
    const { view } = await embed(document.createElement("div"), { ...specOf(chart, ONWHITE, true, 900), padding: 16 });
    const link = document.createElement("a");
    link.download = `hit-rates-${chart}.${kind}`;
    if (kind === "svg") {
      link.href = URL.createObjectURL(new Blob([await view.toSVG()], { type: "image/svg+xml" }));
    } else {
      link.href = (await view.toCanvas(3)).toDataURL("image/png");
    }
    link.click();
    view.finalize();
  }

  // ---- choosing -----------------------------------------------------------
  const form = document.querySelector("form.choose");
  function choices() {
    for (const set of form.querySelectorAll("fieldset")) {
      const key = set.dataset.key;
      set.append(...names[key].map((name, n) => {
        if (key === "cause" && !name) return "";
        const label = document.createElement("label");
        const box = document.createElement("input");
        box.type = "checkbox";
        box.checked = box.defaultChecked = chosen[key].has(n);
        box.value = n;
        label.append(box, ` ${key === "cause" ? data.labels[name] : called(name)}`);
        return label;
      }));
    }
    form.hidden = false;
  }
  function recount() {
    for (const set of form.querySelectorAll("fieldset")) {
      chosen[set.dataset.key] = new Set([...set.querySelectorAll("input:checked")].map((box) => Number(box.value)));
    }
    tell();
    data.breakdowns.forEach(fillBreakdown);
    fill("losses", countLosses().map((row) => [
      cell("th", row.label, row.label), cell("td", row.frames, row.frames), cell("td", row.doubtful, row.doubtful),
      cell("td", row.minutes, row.minutes.toFixed(1)), cell("td", row.aloneFrames, row.aloneFrames), cell("td", row.alone, row.alone.toFixed(1)),
    ]));
    return draw();
  }
  function tell() {
    const total = count([])[0];
    const rate = total?.judged ? ` kept, ${percent(total.rate)} (${between([total.low, total.high])})` : " kept";
    form.querySelector("output").textContent = `· ${total ? total.words : "0 of 0"}${rate}`;
  }
  form.addEventListener("change", recount);
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("reset", () => setTimeout(recount));
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (button?.matches(".sort")) sort(button);
    if (button?.dataset.save) save(button.closest(".gear-chart").dataset.chart, button.dataset.save);
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  let drawnAt = innerWidth;
  let later = 0;
  addEventListener("resize", () => {
    clearTimeout(later);
    if (innerWidth !== drawnAt) later = setTimeout(() => { drawnAt = innerWidth; draw(); }, 150);
  });
  choices();
  tell();
  draw();
})();
