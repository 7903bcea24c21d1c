"use strict";
(() => {
  const $ = (id) => document.getElementById(id);
  const NS = "http://www.w3.org/2000/svg";
  const data = JSON.parse($("exercise-data").textContent);
  const unsealed = () => JSON.parse(atob([...data.sealed].reverse().join("")));
  let at = 0, answers = [], started = "", finished = "", since = 0;
  let kept = false, asked = false;  // nothing is lost by leaving; whether it may be dropped is the question now

  function svg(parent, name, attributes, text) {
    const e = document.createElementNS(NS, name);
    for (const k in attributes) e.setAttribute(k, attributes[k]);
    if (text !== undefined) e.textContent = text;
    parent.appendChild(e);
    return e;
  }
  function html(parent, name, text, attributes) {
    const e = document.createElement(name);
    if (text !== undefined) e.textContent = text;
    for (const k in attributes || {}) e.setAttribute(k, attributes[k]);
    parent.appendChild(e);
    return e;
  }
  const show = (id) => { for (const s of ["start", "task", "end"]) $(s).hidden = s !== id; };

  function progress() {
    $("progress").replaceChildren();
    data.questions.forEach((_, i) => html($("progress"), "li", undefined, {class: i < at ? "done" : i === at ? "now" : ""}));
  }

  /* an arc with an arrow head about the centre: the way the sprocket turns in this photo */
  function turnArrow(view, q) {
    const [cx, cy] = q.centre, tooth = q.asked[q.upright], r = 0.42 * Math.hypot(tooth.x - cx, tooth.y - cy), sign = q.turning === "clockwise" ? 1 : -1;
    const point = (a, k) => [cx + k * Math.cos(a), cy + k * Math.sin(a)];
    const from = -Math.PI / 2 - sign * 1.15, to = -Math.PI / 2 + sign * 1.0, head = 0.22 * r;
    const d = `M${point(from, r)}A${r} ${r} 0 0 ${sign > 0 ? 1 : 0} ${point(to, r)}`;
    for (const c of ["turn under", "turn"]) svg(view, "path", {class: c, d});
    const tip = point(to + sign * head / r, r);
    svg(view, "path", {class: "turn head", d: `M${point(to, r - head * 0.7)}L${tip}L${point(to, r + head * 0.7)}Z`});
  }

  function ask() {
    const q = data.questions[at];
    show("task");
    progress();
    $("where").textContent = "";
    $("h-task").textContent = `Photo ${at + 1} of ${data.questions.length}`;
    $("facts").replaceChildren();
    for (const fact of [`${q.position} sprocket`, `chain ${q.chain}`, `${q.teeth} teeth`, `turns ${q.turning} in this photo when rolling forward`])
      html($("facts"), "li", fact);
    $("origin").textContent = q.made ? "Made picture: invented part with known wear." : "Real photo: the truth is what was measured on it.";
    $("answers").reset();
    $("answers").querySelectorAll("input").forEach((e) => { e.disabled = false; });
    $("check").disabled = false;
    $("missing").textContent = "";
    $("truth").hidden = true;

    const view = $("teeth-view"), scale = q.width / 700, list = $("teeth-list");
    view.replaceChildren();
    view.setAttribute("viewBox", `0 0 ${q.width} ${q.height}`);
    svg(view, "image", {href: q.picture, width: q.width, height: q.height});
    turnArrow(view, q);
    list.replaceChildren();
    q.asked.forEach((tooth, i) => {
      const dx = tooth.x - q.centre[0], dy = tooth.y - q.centre[1], n = Math.hypot(dx, dy), away = 0.9 * q.pitch, big = 21 * scale;
      const keep = (v, most) => Math.min(most - big - 2, Math.max(big + 2, v));
      const x = keep(tooth.x + dx / n * away, q.width), y = keep(tooth.y + dy / n * away, q.height);
      const g = svg(view, "g", {"data-tooth": i});
      const ends = {x1: tooth.x + dx / n * 0.12 * q.pitch, y1: tooth.y + dy / n * 0.12 * q.pitch, x2: x, y2: y};
      svg(g, "line", {class: "leader under", ...ends});
      svg(g, "line", {class: "leader", ...ends});
      svg(g, "circle", {cx: x, cy: y, r: 1.5 * big, class: "hit"});  // for fingers: on a phone the one in sight is too small
      svg(g, "circle", {cx: x, cy: y, r: big});
      svg(g, "text", {x, y, "font-size": 24 * scale}, i + 1);
      const label = html(list, "label"), box = html(label, "input", undefined, {type: "checkbox", name: "tooth", value: i});
      html(label, "span", `tooth ${i + 1}`);
      box.addEventListener("change", () => g.classList.toggle("on", box.checked));
      g.addEventListener("click", () => { if (!box.disabled) box.click(); });
    });

    const close = $("close-view"), {x: tx, y: ty} = q.asked[q.upright], size = 2.1 * q.pitch;
    const up = 90 + Math.atan2(ty - q.centre[1], tx - q.centre[0]) * 180 / Math.PI;  // from upright, clockwise on the screen
    close.replaceChildren();
    close.setAttribute("aria-label", `Tooth ${q.upright + 1} upright, with its left and right flank`);
    $("upright").textContent = `Tooth ${q.upright + 1}`;
    close.setAttribute("viewBox", `${tx - size / 2} ${ty - size * 0.3} ${size} ${size * 0.8}`);
    svg(close, "image", {href: q.picture, width: q.width, height: q.height, transform: `rotate(${-up} ${tx} ${ty})`});
    const halves = {counterclockwise: tx - size * 0.46, clockwise: tx + size * 0.02};
    for (const [side, x] of Object.entries(halves)) {
      const box = {x, y: ty - size * 0.26, width: size * 0.44, height: size * 0.72, rx: size * 0.03, "data-side": side};
      const under = svg(close, "rect", {...box, visibility: "hidden", class: "under"});
      const rect = svg(close, "rect", box);
      rect.addEventListener("click", () => { const r = document.querySelector(`[name=drive][value=${side}]`); if (!r.disabled) r.click(); });
      rect.under = under;
    }
    markSide();
    aim();
    since = Date.now();
  }

  /* a phone shows the whole photo too small to judge its teeth: enlarged, it begins at the tooth of question 1 */
  function aim() {
    const q = data.questions[at], tooth = q.asked[q.upright], lens = $("lens"), view = $("teeth-view").getBoundingClientRect();
    lens.scrollTo(tooth.x / q.width * view.width - lens.clientWidth / 2, tooth.y / q.height * view.height - lens.clientHeight / 2);
  }
  $("closer").addEventListener("click", () => {
    const large = $("lens").parentElement.classList.toggle("large");
    $("closer").textContent = large ? "Whole photo" : "Enlarge, then scroll";
    aim();
  });

  function markSide() {
    const side = $("answers").elements.drive.value;
    for (const rect of $("close-view").querySelectorAll("rect:not(.under)")) {
      rect.classList.toggle("on", rect.dataset.side === side);
      rect.under.setAttribute("visibility", rect.dataset.side === side ? "visible" : "hidden");
    }
  }
  $("answers").addEventListener("change", markSide);

  $("answers").addEventListener("submit", (event) => {
    event.preventDefault();
    const form = $("answers"), drive = form.elements.drive.value, grade = form.elements.grade.value;
    if (!drive || !grade) {
      $("missing").textContent = "Still open: " + [drive ? "" : "question 1", grade ? "" : "question 3"].filter(Boolean).join(" and ") + ".";
      return;
    }
    const q = data.questions[at], truth = unsealed()[at];
    const picked = new Set([...form.querySelectorAll("[name=tooth]:checked")].map((e) => +e.value));
    const answer = {
      photo: q.key, seconds: Math.round((Date.now() - since) / 1000),
      drive_flank: {given: drive, truth: truth.drive}, grade: {given: grade, truth: truth.grade},
      teeth: truth.teeth.map((t, i) => ({index: t.index, given: picked.has(i), truth: t.worn})),
    };
    answers.push(answer);
    form.querySelectorAll("input").forEach((e) => { e.disabled = true; });
    $("check").disabled = true;
    $("missing").textContent = "";
    reveal(answer, truth);
  });

  const side = (s) => s === "clockwise" ? "right flank" : "left flank";
  function row(question, you, truth, right) {
    const tr = html($("truth-rows"), "tr");
    html(tr, "th", question, {scope: "row"});
    html(tr, "td", you);
    html(tr, "td", truth);
    html(tr, "td", right === null ? "not scored" : right ? "right" : "not right", {class: "outcome", "data-mark": right === null ? "–" : right ? "✓" : "✗"});
  }

  function reveal(answer, truth) {
    $("truth-rows").replaceChildren();
    $("truth-notes").replaceChildren();
    $("truth-teeth").replaceChildren();
    row("Drive flank", side(answer.drive_flank.given), side(truth.drive), answer.drive_flank.given === truth.drive);
    const scored = answer.teeth.filter((t) => t.truth !== null), hit = scored.filter((t) => t.given === t.truth).length;
    const names = (test) => answer.teeth.map((t, i) => test(t) ? i + 1 : 0).filter(Boolean).join(", ") || "none";
    row("Worn teeth", names((t) => t.given), scored.length ? names((t) => t.truth) : "cannot be judged here", scored.length ? hit === scored.length : null);
    row("Grade", answer.grade.given, truth.grade, answer.grade.given === truth.grade);
    const q = data.questions[at];
    const notes = [
      `The ${q.position} sprocket ${q.position === "front" ? "pushes the chain, so its leading flank is loaded" : "is pushed by the chain, so its trailing flank is loaded"}: turning ${q.turning}, that is the ${side(truth.drive)} of an upright tooth.`,
      ...(truth.asymmetry === null ? [] : [`Median asymmetry ${truth.asymmetry.toFixed(1)} %.`]),
      ...(truth.overhang === null ? [] : [`Median hook overhang ${truth.overhang.toFixed(2)} mm.`]),
      ...truth.notes,
    ];
    if (truth.grade !== truth.true_grade) notes.push(`By its numbers alone it would be ${truth.true_grade}; the photo does not support that.`);
    if (scored.length < answer.teeth.length) notes.push("Teeth close to the limit, or that cannot be judged here, are not scored: either answer is fair.");
    for (const note of notes) html($("truth-notes"), "li", note);
    truth.teeth.forEach((t, i) => {
      const tr = html($("truth-teeth"), "tr");
      html(tr, "th", String(i + 1), {scope: "row"});
      html(tr, "td", t.asymmetry === null ? "no reading" : t.asymmetry.toFixed(1) + " %", {class: "num"});
      html(tr, "td", t.overhang === null ? "no reading" : t.overhang.toFixed(2) + " mm", {class: "num"});
      html(tr, "td", t.damaged ? "damaged" : t.worn === null ? "not scored" : t.worn ? "worn" : "not worn");
      html(tr, "td", answer.teeth[i].given ? "worn" : "not worn");
      $("teeth-view").querySelector(`[data-tooth="${i}"]`).classList.toggle("truth", t.worn === true);
    });
    $("origin").textContent += " Dashed ring: worn in truth.";
    $("next").textContent = at + 1 < data.questions.length ? "Next photo" : "See the result";
    $("truth").hidden = false;
    $("truth").focus({preventScroll: true});
    $("truth").scrollIntoView({block: "start"});
  }

  $("next").addEventListener("click", () => {
    at += 1;
    if (at < data.questions.length) { ask(); $("h-task").focus(); scrollTo(0, 0); } else finish();
  });

  function result() {
    return {
      schema: data.schema, tool: data.tool, exercise: {id: data.id, title: data.title, photos: data.questions.length},
      apprentice: $("who").value.trim(), started, finished, answers,
    };
  }

  function write() { $("raw").value = JSON.stringify(result(), null, 1); }

  function finish() {
    show("end");
    progress();
    const score = $("score"), count = (test) => answers.filter(test).length, n = answers.length;
    score.replaceChildren();
    const put = (name, value) => { html(score, "dt", name); html(score, "dd", value); };
    put("Drive flank right", `${count((a) => a.drive_flank.given === a.drive_flank.truth)} of ${n}`);
    put("Grade right", `${count((a) => a.grade.given === a.grade.truth)} of ${n}`);
    const teeth = answers.flatMap((a) => a.teeth).filter((t) => t.truth !== null);
    const worn = teeth.filter((t) => t.truth), fresh = teeth.filter((t) => !t.truth);
    put("Worn teeth found", `${worn.filter((t) => t.given).length} of ${worn.length}`);
    put("Unworn teeth left alone", `${fresh.filter((t) => !t.given).length} of ${fresh.length}`);
    $("confusion").replaceChildren();
    for (const given of data.grades) {
      const tr = html($("confusion"), "tr");
      html(tr, "th", given, {scope: "row"});
      for (const truth of data.grades) {
        const k = count((a) => a.grade.given === given && a.grade.truth === truth);
        html(tr, "td", k ? String(k) : "·", {class: "num", ...(given === truth ? {style: "font-weight:700;text-decoration:underline"} : {})});
      }
    }
    finished = new Date().toISOString();
    $("keep").before($("who-field"));  // forgotten at the start, it can be told now
    write();
    say("");
    $("save").onclick = () => {
      const name = `exercise-${data.id}-${(result().apprentice || "nameless").replace(/[^A-Za-z0-9]+/g, "-")}-${started.slice(0, 19).replace(/[:T]/g, "-")}.json`;
      const link = html(document.body, "a", undefined, {download: name, href: URL.createObjectURL(new Blob([$("raw").value], {type: "application/json"}))});
      link.click();
      setTimeout(() => { URL.revokeObjectURL(link.href); link.remove(); }, 1000);
      kept = true;
      say(`Saved as ${name}, where this device keeps downloads.`);
    };
    $("h-end").focus();
  }

  function begin() {
    at = 0; answers = []; kept = false; started = new Date().toISOString();
    ask();
    $("h-task").focus();
  }
  $("begin").addEventListener("click", begin);
  /* what is said of the result; with a question, the button is its answer until something else is said */
  function say(words, question) {
    asked = Boolean(question);
    $("saved").textContent = words;
    $("again").textContent = asked ? "Drop it and do it again" : "Do it again";
  }
  $("again").addEventListener("click", (event) => {
    if (kept || (asked && event.detail < 2)) begin();  // the second of two quick taps is no answer
    else say("This result is not saved yet. Save it first, or drop it.", true);
  });
  $("who").addEventListener("input", () => { kept = false; write(); say(""); });
  $("raw").addEventListener("copy", () => { kept = true; });
  addEventListener("beforeunload", (event) => { if (answers.length && !kept) event.preventDefault(); });
  progress();
})();
