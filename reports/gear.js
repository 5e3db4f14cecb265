"use strict";
// Counts the season again for chosen nights, lenses and causes; draws and saves the charts.
(() => {
  const data = JSON.parse(document.getElementById("gear-data").textContent);
  const { groups, names } = data;
  const size = groups.n.length;
  const percent = (share) => (share === null ? "–" : `${(100 * share).toFixed(0)}\u202f%`);
  const hours = (seconds) => {
    const minutes = Math.round(seconds / 60);
    return minutes >= 60 ? `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min` : `${minutes} min`;
  };

  // ---- intervals ----------------------------------------------------------
  const Z = 1.959963984540054; // the normal quantile of 97.5 %
  function wilson(k, n) {
    const p = k / n, q = (Z * Z) / n;
    const half = Z * Math.sqrt((p * (1 - p)) / n + q / (4 * n));
    return [Math.max(0, (p + q / 2 - half) / (1 + q)), Math.min(1, (p + q / 2 + half) / (1 + q))];
  }
  function logGamma(x) {
    // Stirling's series after a shift upwards, good to 1e-12 there.
    let shift = 0;
    while (x < 12) shift += Math.log(x++);
    const y = 1 / (x * x);
    return (x - 0.5) * Math.log(x) - x + 0.9189385332046727 + (1 / 12 - y * (1 / 360 - y / 1260)) / x - shift;
  }
  // Regularised incomplete beta function by its continued fraction (Lentz's way).
  function beta(x, a, b) {
    if (x <= 0 || x >= 1) return x <= 0 ? 0 : 1;
    if (x > (a + 1) / (a + b + 2)) return 1 - beta(1 - x, b, a);
    let c = 1, d = 1 / (1 - ((a + b) * x) / (a + 1)), value = d;
    for (let m = 1; m < 300; m++) {
      const even = (m * (b - m) * x) / ((a + 2 * m - 1) * (a + 2 * m));
      d = 1 / (1 + even * d); c = 1 + even / c; value *= c * d;
      const odd = (-(a + m) * (a + b + m) * x) / ((a + 2 * m) * (a + 2 * m + 1));
      d = 1 / (1 + odd * d); c = 1 + odd / c; value *= c * d;
      if (Math.abs(c * d - 1) < 1e-12) break;
    }
    return (value * Math.exp(logGamma(a + b) - logGamma(a) - logGamma(b) + a * Math.log(x) + b * Math.log(1 - x))) / a;
  }
  function quantile(p, a, b) {
    let [low, high] = [0, 1];
    for (let n = 0; n < 50; n++) {
      const middle = (low + high) / 2;
      if (beta(middle, a, b) < p) low = middle; else high = middle;
    }
    return (low + high) / 2;
  }
  const exact = (k, n) => [k === 0 ? 0 : quantile(0.025, k, n - k + 1), k === n ? 1 : quantile(0.975, k + 1, n - k)];

  // ---- counting -----------------------------------------------------------
  const chosen = { night: new Set(names.night.keys()), lens: new Set(names.lens.keys()), cause: new Set() };
  names.cause.forEach((cause, n) => data.apart.includes(cause) || chosen.cause.add(n));
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
        cells.set(id, { places, judged: 0, keep: 0, doubtful: 0, reject: 0, apart: 0, seconds: 0, kept: 0, nights: new Set() });
      }
      const cell = cells.get(id);
      const [shots, verdict] = [groups.n[n], groups.verdict[n]];
      cell.nights.add(groups.night[n]);
      cell.seconds += groups.seconds[n];
      if (verdict !== KEEP && !chosen.cause.has(groups.cause[n])) {
        cell.apart += shots;
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
    rows.forEach((row) => (row.words = `${row.frames} frame${row.frames === 1 ? "" : "s"}`));
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
  const called = (value) =>
    value === null || value === "" ? "not known" : typeof value === "number" ? String(Number(value.toPrecision(4))) : value;
  const between = (pair) => `${percent(pair[0])} to ${percent(pair[1])}`;
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
      const sure = row.judged ? exact(row.keep, row.judged) : null;
      return [
        ...row.keys.map((key) => cell("th", key, called(key))),
        cell("td", row.keep, row.words), cell("td", row.rate, percent(row.rate)),
        cell("td", row.low, row.judged ? between([row.low, row.high]) : "–"),
        cell("td", sure?.[0], sure ? between(sure) : "–"),
        cell("td", row.doubtful, row.doubtful), cell("td", row.reject, row.reject), cell("td", row.apart, row.apart),
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
  const inColour = (spec, colours) => JSON.parse(JSON.stringify(spec), (_, value) =>
    typeof value === "string" && value[0] === "$" ? colours[value.slice(1)] : value);

  function rowsOf(chart) {
    if (chart === "calibration") return data.calibration;
    if (chart === "losses") return countLosses();
    if (chart === "nights") return count(["night"]).filter((row) => row.judged).map(({ keys, rate, low, high, words }) => ({ night: keys[0], rate, low, high, words }));
    const cells = count(["lens", "setting"]).filter((row) => row.judged && row.keys[1] !== null).map((row) => {
      const lens = row.places[0];
      return {
        kind: "seen", lens: row.keys[0], focal: data.lens_focal[lens], setting: row.keys[1], words: row.words,
        rate: row.rate, low: row.low, high: row.high,
        path: data.lens_scale[lens] ? (15.041067 * row.keys[1]) / data.lens_scale[lens] : null,
      };
    });
    if (chart === "cells") {
      // Panels are laid out in order, so that a place without frames needs its empty row.
      const settings = [...new Set(cells.map((row) => row.setting))];
      const known = new Set(cells.map((row) => `${row.lens} ${row.setting}`));
      const lenses = new Map(cells.map((row) => [row.lens, row.focal]));
      const empty = [...lenses].flatMap(([lens, focal]) => settings
        .filter((setting) => !known.has(`${lens} ${setting}`))
        .map((setting) => ({ lens, focal, setting, words: "", rate: null, low: null, high: null })));
      return [...cells, ...empty];
    }
    const lenses = new Set([...chosen.lens].map((n) => names.lens[n]));
    return [...data.curves.filter((row) => lenses.has(row.lens)), ...cells.filter((row) => row.path !== null)];
  }
  function settings() {
    const total = count([])[0];
    const dates = [...chosen.night].map((n) => names.night[n]).filter((name) => /^\d{4}/.test(name)).map((name) => name.slice(0, 10)).sort();
    const all = (key) => chosen[key].size === names[key].length;
    const apart = names.cause.filter((cause, n) => cause && !chosen.cause.has(n)).map((cause) => data.labels[cause]);
    return [
      `${total ? total.words : "0 of 0"} judged frames kept; ${chosen.night.size} night${chosen.night.size === 1 ? "" : "s"}${dates.length ? `, ${dates[0]}${dates[0] === dates.at(-1) ? "" : ` to ${dates.at(-1)}`}` : ""}`,
      `${all("lens") ? "all lenses" : [...chosen.lens].map((n) => names.lens[n]).join(", ")}; doubtful counts as not kept; counted apart: ${apart.join(", ") || "none"}`,
    ];
  }
  function specOf(chart, colours, titled) {
    const rows = rowsOf(chart);
    const from = Math.floor(10 * Math.min(0.9, ...data.calibration.map((row) => Math.min(row.foretold, row.low)))) / 10;
    const spec = inColour({ ...data.charts[chart], config: data.config }, { ...colours, from });
    if (titled) spec.title = { text: data.titles[chart], subtitle: chart === "calibration" ? [`all nights; ${data.calibration.reduce((sum, row) => sum + row.judged, 0)} judged frames; 95 % intervals`] : settings() };
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
      const spec = specOf(chart, { ...onPage(), paper: "transparent" }, false);
      await embed(place, spec);
    }
  }
  async function save(chart, kind) {
    const { view } = await embed(document.createElement("div"), { ...specOf(chart, ONWHITE, true), padding: 16 });
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
  choices();
  tell();
  draw();
})();
