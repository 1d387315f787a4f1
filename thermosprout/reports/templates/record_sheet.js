"use strict";
// Counts of one trial on a phone. All that is typed is kept in localStorage at once, under the
// trial's own key, as rounds: the last one is being counted, the others are earlier ones.
(() => {
  const sheet = JSON.parse(document.getElementById("sheet-data").textContent);
  const plots = sheet.plots;
  const key = "thermosprout.record-sheet." + sheet.id;
  const $ = (id) => document.getElementById(id);
  const tiles = [...document.querySelectorAll(".tile")]
    .sort((a, b) => Number(a.dataset.index) - Number(b.dataset.index));
  let kept = true; // whether the browser lets the page keep anything
  let open = -1; // plot in the dialog
  let state = load();

  function pad(n) { return String(n).padStart(2, "0"); }
  function today() {
    const now = new Date();
    return `${now.getFullYear()}-${pad(now.getMonth() + 1)}-${pad(now.getDate())}`;
  }
  function newRound(observer) { return { day: today(), observer, counts: {}, log: [], exported: null }; }
  function blank() { return { format: 1, rounds: [newRound("")] }; }
  function sound(value) {
    return value && value.format === 1 && Array.isArray(value.rounds) && value.rounds.length > 0 &&
      value.rounds.every((r) => r && typeof r.day === "string" && r.counts && Array.isArray(r.log));
  }
  function load() {
    try {
      const text = localStorage.getItem(key);
      if (text === null) return blank();
      const value = JSON.parse(text);
      if (sound(value)) return value;
      // What cannot be read is put aside under another name, never thrown away.
      localStorage.setItem(key + ".unreadable." + Date.now(), text);
      return blank();
    } catch (error) {
      if (!(error instanceof SyntaxError)) { kept = false; return blank(); }
      localStorage.setItem(key + ".unreadable." + Date.now(), localStorage.getItem(key));
      return blank();
    }
  }
  function save() {
    try { localStorage.setItem(key, JSON.stringify(state)); } catch { kept = false; }
  }
  function round() { return state.rounds[state.rounds.length - 1]; }

  function lastBefore(index) {
    // The newest count of a plot before this round: from the records, or from earlier rounds here.
    const plot = plots[index];
    let last = plot.last ? { n: plot.last.emerged, day: plot.last.day } : null;
    for (const earlier of state.rounds.slice(0, -1)) {
      const count = earlier.counts[plot.plot];
      if (count && earlier.day <= round().day && (last === null || earlier.day >= last.day)) {
        last = { n: count.n, day: earlier.day };
      }
    }
    return last;
  }
  function current(index) { return round().counts[plots[index].plot] || null; }
  function sayDay(day) {
    const when = new Date(day + "T12:00");
    return Number.isNaN(when.getTime()) ? day
      : when.toLocaleDateString("en-GB", { day: "numeric", month: "short" });
  }
  function said(index) {
    const count = current(index), last = lastBefore(index);
    return count ? count.n : last ? last.n : 0;
  }
  function fault(index, n) {
    const plot = plots[index], last = lastBefore(index);
    if (!Number.isInteger(n) || n < 0) return "Write a whole number, 0 or more.";
    if (n > plot.seeds_planted) {
      return `${plot.seeds_planted} seeds were planted in ${plot.plot}; ${n} cannot have come up. ` +
        "Put self-sown plants in the note.";
    }
    if (last && last.day < round().day && n < last.n) {
      return `${plot.plot} had ${last.n} on ${sayDay(last.day)}. Count those that died since as ` +
        "well; a wrong old count is corrected on the computer.";
    }
    if (round().day < plot.planted_day) return `${plot.plot} is planted on ${sayDay(plot.planted_day)}.`;
    return "";
  }
  function put(index, count, what) {
    const name = plots[index].plot, before = round().counts[name] || null;
    round().log.push({ plot: name, before, what });
    if (round().log.length > 500) round().log.shift();
    if (count === null) delete round().counts[name];
    else round().counts[name] = { note: before ? before.note : "", ...count, at: new Date().toISOString() };
    round().exported = null;
    save();
    draw();
  }
  function speak(text) { $("voice").textContent = text; }
  function tell(text) {
    $("told").textContent = text;
    $("told").hidden = text === "";
    if (text) speak(text);
  }

  function draw() {
    $("day").value = round().day;
    if (document.activeElement !== $("observer")) $("observer").value = round().observer;
    let done = 0;
    tiles.forEach((tile, index) => {
      const plot = plots[index], count = current(index), last = lastBefore(index);
      if (count) done += 1;
      tile.dataset.state = count ? "seen" : "open";
      tile.querySelector(".count").textContent = String(said(index));
      const rest = [];
      if (round().day < plot.planted_day) rest.push(`planted ${sayDay(plot.planted_day)}`);
      else if (last) rest.push(`${last.n} on ${sayDay(last.day)}`);
      else rest.push("not counted before");
      if (count && last) rest.push(count.n === last.n ? "none new" : `${count.n - last.n} new`);
      if (count && count.note) rest.push("note");
      tile.querySelector(".last").textContent = rest.join(" · ");
      tile.querySelector(".same").setAttribute(
        "aria-pressed", String(Boolean(count) && count.n === (last ? last.n : 0)));
      tile.querySelector(".tap").setAttribute("aria-label",
        `${plot.plot}${plot.label ? ", " + plot.label : ""}: ${said(index)} so far, ` +
        `${count ? "counted" : "not counted yet"}, tap to add one`);
    });
    $("progress").textContent = `${done} of ${plots.length} plots counted` +
      (round().exported ? " · exported" : done ? " · not exported yet" : "") +
      (kept ? "" : " · kept only until the page is closed");
    const log = round().log, step = log[log.length - 1];
    $("undo").disabled = log.length === 0;
    $("undo").textContent = step ? `Undo ${step.plot}: ${step.what}` : "Undo";
  }

  function csvCell(text) {
    // Signs that would start a formula in a spreadsheet get an apostrophe before them.
    // Control signs become blanks; joiners stay, for scripts and pictures that need them.
    let plain = String(text).replace(/[\p{Cc}\p{Cs}\p{Co}\p{Cn}\p{Z}]+/gu, " ")
      .replace(/[^\P{Cf}\u200c\u200d]/gu, "").trim();
    if (/^[=+\-@]/.test(plain)) plain = "'" + plain;
    return /[",;\r\n']/.test(plain) ? `"${plain.replaceAll('"', '""')}"` : plain;
  }
  function csv(all) {
    const lines = [sheet.columns.join(",")];
    for (const one of all ? state.rounds : [round()]) {
      for (const plot of plots) {
        const count = one.counts[plot.plot];
        if (!count) continue;
        const cells = { ...plot.facts, inspected: one.day, emerged: count.n, note: count.note || "",
          observer: one.observer, entered: count.at };
        lines.push(sheet.columns.map((name) => csvCell(cells[name] ?? "")).join(","));
      }
    }
    return lines.join("\r\n") + "\r\n";
  }
  function openExport() {
    const missing = plots.filter((plot) => !round().counts[plot.plot]).map((plot) => plot.plot);
    const done = plots.length - missing.length;
    const wrong = plots.map((plot, index) => current(index) ? fault(index, current(index).n) : "")
      .filter((text) => text);
    $("export-summary").textContent = `${done} of ${plots.length} plots, looked at on ` +
      `${sayDay(round().day)}. ` + (missing.length && done
      ? `Left out, because not counted: ${missing.slice(0, 12).join(", ")}` +
        `${missing.length > 12 ? " …" : ""}. ` : "") + wrong.slice(0, 3).join(" ");
    $("rest").hidden = missing.length === 0;
    $("all-label").hidden = state.rounds.length < 2;
    $("csv").value = csv($("all").checked);
    if (!$("export-dialog").open) $("export-dialog").showModal();
  }

  tiles.forEach((tile, index) => {
    tile.querySelector(".tap").addEventListener("click", () => {
      const n = said(index) + 1, wrong = fault(index, n);
      if (wrong) { tell(wrong); return; }
      tell("");
      put(index, { n }, "+1");
      if (navigator.vibrate) navigator.vibrate(15);
      speak(`${plots[index].plot}: ${n}`);
    });
    tile.querySelector(".same").addEventListener("click", () => {
      const last = lastBefore(index), n = last ? last.n : 0, wrong = fault(index, n);
      if (wrong) { tell(wrong); return; }
      tell("");
      put(index, { n }, "none new");
      speak(`${plots[index].plot}: none new`);
    });
    tile.querySelector(".more").addEventListener("click", () => {
      open = index;
      const plot = plots[index], count = current(index);
      $("plot-title").textContent = plot.plot;
      $("plot-facts").textContent = [plot.label, `${plot.seeds_planted} seeds planted`,
        sayDay(plot.planted_day)].filter((text) => text).join(" · ");
      $("plot-count").value = String(said(index));
      $("plot-note").value = count ? count.note || "" : "";
      $("plot-fault").hidden = true;
      $("plot-dialog").showModal();
    });
  });
  function keepPlot() {
    const text = $("plot-count").value.trim();
    const n = /^\d{1,9}$/.test(text) ? Number(text) : NaN, wrong = fault(open, n);
    if (wrong) {
      $("plot-fault").textContent = wrong;
      $("plot-fault").hidden = false;
      return;
    }
    tell("");
    put(open, { n, note: $("plot-note").value }, `= ${n}`);
    $("plot-dialog").close();
  }
  $("plot-save").addEventListener("click", keepPlot);
  $("plot-form").addEventListener("submit", (event) => { event.preventDefault(); keepPlot(); });
  $("plot-clear").addEventListener("click", () => {
    if (current(open)) put(open, null, "not counted");
    $("plot-dialog").close();
  });
  $("plot-close").addEventListener("click", () => $("plot-dialog").close());
  $("undo").addEventListener("click", () => {
    const step = round().log.pop();
    if (!step) return;
    if (step.before) round().counts[step.plot] = step.before;
    else delete round().counts[step.plot];
    round().exported = null;
    save();
    draw();
    const back = round().counts[step.plot];
    speak(`Undone: ${step.plot} ${back ? "is " + back.n : "is not counted"}`);
  });
  $("day").addEventListener("change", () => {
    if (/^\d{4}-\d{2}-\d{2}$/.test($("day").value)) { round().day = $("day").value; save(); }
    draw();
  });
  $("observer").addEventListener("input", () => { round().observer = $("observer").value; save(); });
  $("export").addEventListener("click", openExport);
  $("all").addEventListener("change", openExport);
  $("export-close").addEventListener("click", () => $("export-dialog").close());
  $("rest").addEventListener("click", () => {
    plots.forEach((plot, index) => {
      const last = lastBefore(index), n = last ? last.n : 0;
      if (!current(index) && !fault(index, n)) put(index, { n }, "none new");
    });
    openExport();
  });
  $("download").addEventListener("click", () => {
    const link = document.createElement("a");
    const blob = new Blob([csv($("all").checked)], { type: "text/csv;charset=utf-8" });
    link.href = URL.createObjectURL(blob);
    link.download = `${sheet.file}-${round().day}.csv`;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    round().exported = new Date().toISOString();
    save();
    draw();
  });
  $("next").addEventListener("click", () => {
    if (Object.keys(round().counts).length) state.rounds.push(newRound(round().observer));
    else round().day = today();
    save();
    draw();
    tell("");
    $("export-dialog").close();
  });
  // Two windows on one trial see each other's taps.
  window.addEventListener("storage", (event) => { if (event.key === key) { state = load(); draw(); } });
  window.addEventListener("beforeunload", (event) => {
    if (!kept && Object.keys(round().counts).length && !round().exported) event.preventDefault();
  });
  save();
  draw();
  if (!kept) {
    tell("This browser keeps nothing when the page is closed: export before you close it, or open " +
      "the file in another browser.");
  }
  if (round().day !== today() && Object.keys(round().counts).length && !round().exported) {
    tell(`A round of ${sayDay(round().day)} is not exported yet. Export it, then begin the next ` +
      "round; or set the day if it is still the same round.");
  } else if (round().day !== today() && Object.keys(round().counts).length === 0) {
    round().day = today();
    save();
    draw();
  }
})();
