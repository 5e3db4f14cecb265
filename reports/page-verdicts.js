// Verdicts by hand: kept in this browser, saved as files, never sent anywhere.
const verdictsByHand = (() => {
  const tray = document.querySelector(".tray");
  const status = tray.querySelector("[role=status]");
  const corrected = document.querySelector(".corrected");
  const listeners = [];
  let kept = true;
  // file -> {verdict, note}, or null where a change that the audit took over is undone.
  let mine = {};
  try {
    mine = JSON.parse(localStorage.getItem(data.store) ?? "{}") ?? {};
    const files = new Set(frames.map((frame) => frame.file));
    mine = Object.fromEntries(
      Object.entries(mine).filter(
        ([file, said]) => files.has(file) && (said === null || verdicts.includes(said.verdict)),
      ),
    );
  } catch {
    kept = false;
  }

  // What a person said of a frame, in this page or in the audit; null where the rules hold.
  function said(frame) {
    if (Object.hasOwn(mine, frame.file)) return mine[frame.file];
    return frame.decided_by === "person" ? { verdict: frame.verdict, note: frame.note } : null;
  }
  const verdict = (frame) => said(frame)?.verdict ?? frame.rules_verdict;
  const changedHere = (frame) => verdict(frame) !== frame.verdict;

  function decide(frame, word, note = said(frame)?.note ?? "") {
    if (word) mine[frame.file] = { verdict: word, note };
    else if (frame.decided_by === "person") mine[frame.file] = null;
    else delete mine[frame.file];
    store();
    listeners.forEach((listener) => listener(frame));
    tell();
  }

  function store() {
    try {
      localStorage.setItem(data.store, JSON.stringify(mine));
      kept = true;
    } catch {
      kept = false;
    }
  }

  function tell() {
    const list = frames.filter((frame) => verdict(frame) === "keep");
    const light = list.reduce((sum, frame) => sum + (frame.exposure_s ?? 0), 0);
    const changes = frames.filter((frame) => said(frame)).length;
    const words = `Your list: ${plural(list.length, "frame")}, ${duration(light)} of light`;
    status.textContent =
      `${words}; ${changes ? plural(changes, "verdict") + " by hand" : "nothing changed by hand"}.` +
      (kept ? "" : " This browser does not keep changes over a reload: save them before you leave.");
    const differs = frames.some(changedHere);
    corrected.hidden = !differs;
    corrected.textContent = differs ? `With your changes: stack ${list.length}, ${duration(light)} of light.` : "";
    tray.hidden = false;
  }

  // ---- files --------------------------------------------------------------
  function overrides() {
    const lines = frames.flatMap((frame) => {
      const word = said(frame);
      // What the results hold already stays in force until it is taken back in words.
      if (!word) return frame.decided_by === "person" ? [`  - file: ${quoted(frame.file)}`, "    verdict: rules"] : [];
      return [`  - file: ${quoted(frame.file)}`, `    verdict: ${word.verdict}`, `    note: ${quoted(word.note ?? "")}`];
    });
    const head = "# Verdicts by hand; give this file to skyplumb audit with --overrides.\n";
    return head + (lines.length ? `frames:\n${lines.join("\n")}\n` : "frames: []\n");
  }

  // Of one run where one is chosen in the filter, else of all.
  const chosenRun = () => document.querySelector("form.filter").elements.run.value;

  function stackable(run = "") {
    // One path a line: a name with a line break in it would read as two other files.
    const paths = frames
      .filter((frame) => verdict(frame) === "keep" && (!run || data.runs[frame.run].run === run))
      .map((frame) => data.root + (data.root ? data.separator : "") + frame.file.replaceAll("/", data.root ? data.separator : "/"));
    return paths.filter((path) => !/[\n\v\f\r\x1c-\x1e\x85\u2028\u2029]/.test(path)).map((path) => path + "\n").join("");
  }

  const actions = {
    list: () => save(chosenRun() ? `${chosenRun()}.txt` : "stackable.txt", stackable(chosenRun())),
    overrides: () => save("overrides.yaml", overrides()),
    undo() {
      if (!frames.some((frame) => said(frame)) || !confirm("Go back to the rules' verdict for every frame?")) return;
      for (const frame of frames.filter((one) => said(one))) decide(frame, null);
    },
  };
  tray.querySelectorAll("[data-save]").forEach((button) => button.addEventListener("click", actions[button.dataset.save]));
  tell();
  return { said, verdict, decide, onChange: (listener) => listeners.push(listener), overrides, stackable };
})();
