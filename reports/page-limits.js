// What another limit would give: frames, light and the stack's own star, run by run, against
// today's list. The sums are those of skyplumb.judge.stack.
(() => {
  const form = document.querySelector("form.limits");
  if (!form) return;
  const { said, verdict } = verdictsByHand;
  const table = document.querySelector("table.what-if tbody");
  const today = data.limits;
  const ratio = { trail: today.trail_reject / today.trail_keep, width: today.width_reject / today.width_keep };
  const asked = () => ({ trail: Number(form.elements.trail.value), width: Number(form.elements.width.value) });

  // A person's word stands; else every rule must hold, these two with the limits asked for.
  function kept(frame, limit) {
    if (said(frame)) return verdict(frame) === "keep";
    if (!frame.other_rules) return false;
    const over = (value, most) => value !== null && value > most;
    return !(
      over(frame.trail_px, limit.trail) ||
      over(frame.trail_of_fwhm, today.trail_of_fwhm_keep) ||
      over(frame.trail_worst_px, limit.trail * ratio.trail) ||
      over(frame.fwhm_of_best, limit.width)
    );
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
    return percent === 0 ? "as today" : `${percent > 0 ? "+" : "−"}${Math.abs(percent)} %`;
  };

  function tell() {
    const limit = asked();
    form.querySelector("[data-for=trail]").textContent = `${figure(limit.trail, 2)} px`;
    form.querySelector("[data-for=width]").textContent = `${figure(limit.width, 3)} times the best`;
    let frames_now = 0, frames_then = 0, light_now = 0, light_then = 0;
    table.replaceChildren(...data.runs.map((run, place) => {
      const mine = frames.filter((frame) => frame.run === place);
      const now = stack(mine.filter((frame) => verdict(frame) === "keep"));
      const then = stack(mine.filter((frame) => kept(frame, limit)));
      frames_now += now.frames;
      frames_then += then.frames;
      light_now += now.light;
      light_then += then.light;
      const cell = (text) => h("td", {}, text);
      return h("tr", {}, h("th", { scope: "row" }, run.title),
        cell(arrow(`${now.frames}`, `${then.frames}`)), cell(arrow(duration(now.light), duration(then.light))),
        cell(arrow(figure(now.fwhm), figure(then.fwhm))), cell(arrow(hundredths(now.oval), hundredths(then.oval))),
        cell(change(now.snr, then.snr)));
    }));
    form.querySelector("output.sum").textContent =
      `${plural(frames_then, "frame")}, ${duration(light_then)} of light; today ${frames_now}, ${duration(light_now)}.`;
  }

  function rulesFile() {
    const limit = asked();
    const two = (value) => String(Number(value.toFixed(2)));
    return [
      "# Limits tried out in the page; give this file to skyplumb audit with --rules.",
      "trail_px:", `  keep_up_to: ${two(limit.trail)}`, `  reject_over: ${two(limit.trail * ratio.trail)}`,
      "fwhm_of_best:", `  keep_up_to: ${two(limit.width)}`, `  reject_over: ${two(limit.width * ratio.width)}`, "",
    ].join("\n");
  }

  form.addEventListener("input", tell);
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("reset", () => setTimeout(tell));
  form.querySelector("[data-save=rules]").addEventListener("click", () => save("rules.yaml", rulesFile()));
  verdictsByHand.onChange(tell);
  tell();
})();
