// What another limit would give: frames, light and the stack's own star, run by run, against
// today's list. The sums are those of skyplumb.judge.stack.
(() => {
  const form = document.querySelector("form.limits");
  if (!form) return;
  const { said, verdict } = verdictsByHand;
  const table = document.querySelector("table.what-if tbody");
  const today = data.limits;
  const ratio = { trail: today.trail_reject / today.trail_keep, width: today.width_reject / today.width_keep };
  // Which limits were moved: a slider that nobody has touched stands on a step near its limit.
  const moved = new Set();
  const asked = () => Object.fromEntries(["trail", "width"].map((name) =>
    [name, moved.has(name) ? Number(form.elements[name].value) : today[`${name}_keep`]]));
  const own = data.runs.map((run) => run.limits ?? today);

  // The limits that hold for a frame: its run's own, or what was asked for in their place.
  function limitsFor(frame) {
    const limit = { ...own[frame.run] };
    for (const [name, keep] of Object.entries(asked()).filter(([one]) => moved.has(one))) {
      limit[`${name}_keep`] = keep;
      limit[`${name}_reject`] = keep * ratio[name];
    }
    return limit;
  }

  // The rules that hold a frame back, as skyplumb.judge.verdict has them: today's where no limit was
  // moved, else those that the page knows under the asked limits, and all others as they were.
  function heldBy(frame) {
    if (!moved.size) return frame.rules_broken.split(" ").filter(Boolean);
    const limit = limitsFor(frame);
    const over = (value, most) => value !== null && value > most;
    const rules = new Set(frame.other_rules.split(" ").filter(Boolean));
    if (frame.measured_stars !== null && frame.measured_stars < limit.fewest_stars) rules.add("min_stars");
    const long = [["trail_px", limit.trail_keep], ["trail_of_fwhm", limit.trail_of_fwhm_keep]]
      .filter(([rule, most]) => over(frame[rule], most)).map(([rule]) => rule);
    const known = frame.trail_sigma_px !== null && frame.trail_sigma_px <= limit.trail_keep;
    // A trail that is not known so well, or does not stand clear of its error, is no claim.
    if (!known || (long.length && frame.trail_angle_deg === null)) {
      if (over(frame.ellipticity, limit.ellipticity_keep)) rules.add("ellipticity");
    } else if (long.length) long.forEach((rule) => rules.add(rule));
    else if (over(frame.trail_worst_px, limit.trail_reject)) rules.add("trail_worst_px");
    if (over(frame.fwhm_of_best, limit.width_keep)) rules.add("fwhm_of_best");
    return [...rules];
  }

  // A person's word stands, and the rules' where no limit was moved; else every rule must hold.
  const kept = (frame) => (said(frame) || !moved.size ? verdict(frame) === "keep" : !heldBy(frame).length);

  // How many frames each rule holds back, the most first; one may be held by several.
  function holders() {
    const counts = new Map();
    for (const frame of frames.filter((one) => !said(one) && !kept(one)))
      for (const rule of heldBy(frame)) counts.set(rule, (counts.get(rule) ?? 0) + 1);
    const words = [...counts].sort((a, b) => b[1] - a[1]).map(([rule, count]) => `${data.rule_words[rule] ?? rule} ${count}`);
    return words.length ? `Held back by: ${words.join(", ")}.` : "";
  }

  // The weighted mean star of some frames: second moments add up, directions included.
  function stack(list) {
    let weight = 0, trace = 0, plus = 0, cross = 0, light = 0;
    for (const frame of list) {
      light += frame.exposure_s ?? 0;
      const w = frame.weight ?? 0;
      if (!w || frame.fwhm_px === null || frame.ellipticity === null) continue;
      const size = frame.fwhm_px ** 2, b2 = (1 - frame.ellipticity) ** 2;
      const turn = ((frame.image_angle_deg ?? 0) * Math.PI) / 90;
      weight += w;
      trace += w * size;
      plus += w * size * ((1 - b2) / (1 + b2)) * Math.cos(turn);
      cross += w * size * ((1 - b2) / (1 + b2)) * Math.sin(turn);
    }
    const long = Math.hypot(plus, cross);
    return {
      frames: list.length, light,
      fwhm: weight ? Math.sqrt(trace / weight) : null,
      oval: weight ? 1 - Math.sqrt((trace - long) / (trace + long)) : null,
      snr: weight ? Math.sqrt(weight) : null,
    };
  }

  const hundredths = (value) => (value === null ? "–" : value.toFixed(2));
  const arrow = (now, then) => (now === then ? now : `${now} → ${then}`);
  const change = (now, then) => {
    if (!now || !then) return "–";
    const percent = Math.round(100 * (then / now - 1));
    return percent === 0 ? "as today" : `${percent > 0 ? "+" : "−"}${Math.abs(percent)}%`;
  };

  const two = (value) => Number(value.toFixed(2));

  // A limit; of runs with limits of their own, from the least to the most.
  function inWords(name, unit) {
    const all = moved.has(name) ? [asked()[name]] : own.map((limit) => limit[`${name}_keep`]);
    const [least, most] = [Math.min(...all), Math.max(...all)].map(two);
    return least === most ? `${least} ${unit}` : `${least} to ${most} ${unit}, by lens`;
  }

  function tell() {
    form.querySelector("[data-for=trail]").textContent = inWords("trail", "px");
    form.querySelector("[data-for=width]").textContent = inWords("width", "times the best");
    let frames_now = 0, frames_then = 0, light_now = 0, light_then = 0;
    table.replaceChildren(...data.runs.map((run, place) => {
      const mine = frames.filter((frame) => frame.run === place);
      const now = stack(mine.filter((frame) => verdict(frame) === "keep"));
      const then = stack(mine.filter(kept));
      frames_now += now.frames;
      frames_then += then.frames;
      light_now += now.light;
      light_then += then.light;
      const cell = (text) => h("td", {}, text);
      return h("tr", {}, h("th", { scope: "row" }, run.title),
        cell(arrow(`${now.frames}`, `${then.frames}`)),
        cell(mine.some((frame) => frame.exposure_s !== null) ? arrow(duration(now.light), duration(then.light)) : "–"),
        cell(arrow(figure(now.fwhm), figure(then.fwhm))), cell(arrow(hundredths(now.oval), hundredths(then.oval))),
        cell(change(now.snr, then.snr)));
    }));
    const light = light_now || light_then
      ? [`, ${duration(light_then)} of light`, `, ${duration(light_now)}`] : ["", ""];
    form.querySelector("output.sum").textContent =
      `${plural(frames_then, "frame")}${light[0]}; today ${frames_now}${light[1]}.`;
    form.querySelector("output.held").textContent = holders();
  }

  // The rules in force with the limits that were moved, for every lens.
  function rulesFile() {
    const rules = structuredClone(data.rules);
    const limit = asked();
    for (const [name, rule] of [["trail", "trail_px"], ["width", "fwhm_of_best"]]) {
      if (!moved.has(name)) continue;
      for (const one of [rules, ...(rules.limits ?? []).filter((entry) => entry[rule])])
        one[rule] = { ...one[rule], keep_up_to: two(limit[name]), reject_over: two(limit[name] * ratio[name]) };
    }
    const lines = Object.entries(rules).flatMap(([name, rule]) => [`${name}:`, ...(Array.isArray(rule)
      ? rule.map((entry) => `  - ${quoted(entry)}`)
      : Object.entries(rule).map(([key, value]) => `  ${key}: ${quoted(value)}`))]);
    return ["# Limits tried out in the page; give this file to skyplumb audit with --rules.", ...lines, ""].join("\n");
  }

  form.addEventListener("input", (event) => { moved.add(event.target.name); tell(); });
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("reset", () => { moved.clear(); setTimeout(tell); });
  form.querySelector("[data-save=rules]").addEventListener("click", () => save("rules.yaml", rulesFile()));
  verdictsByHand.onChange(tell);
  tell();
})();
