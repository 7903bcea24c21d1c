"use strict";
/* The same sums as toothcheck/lessons/model.py, on the tables that it computed (mm, tooth's own frame: y along the
   tooth's centre line, x towards the drive flank). A test drives this page and holds the two against each other. */
const lesson = (() => {
  const data = JSON.parse(document.getElementById("lesson-data").textContent);

  function worn(table, s) {
    const thin = s.tip / 100 * table.half[table.at_probe];
    const drive = table.half.map((h, i) => h - s.loss * table.even[i] - s.hook * table.pocket[i] - thin * table.tip[i]);
    const coast = table.half.map((h, i) => h - thin * table.tip[i]);
    let rows = drive.findIndex((h, i) => h + coast[i] < 0);
    if (rows < 0) rows = drive.length;
    const flank = (half, sign) => half.slice(0, rows).map((h, i) =>
      [sign * table.r[i] * Math.sin(h / table.r[i]), table.r[i] * Math.cos(h / table.r[i])]);
    return {table, drive, coast, rows, driveFlank: flank(drive, 1), coastFlank: flank(coast, -1)};
  }

  function overhang(flank) {
    let least = Infinity, most = 0;
    for (const [x] of flank) { least = Math.min(least, x); most = Math.max(most, x - least); }
    return most;
  }

  function hollow(flank) {
    const hull = [];
    const turn = (a, b, c) => (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
    for (const p of flank) {
      while (hull.length > 1 && turn(hull[hull.length - 2], hull[hull.length - 1], p) <= 0) hull.pop();
      hull.push(p);
    }
    let deepest = 0;
    for (let i = 1; i < hull.length; i++) {
      const a = hull[i - 1], b = hull[i], length = Math.hypot(b[0] - a[0], b[1] - a[1]);
      for (const p of flank) if (p[1] >= a[1] && p[1] <= b[1]) deepest = Math.max(deepest, turn(a, b, p) / length);
    }
    return deepest;
  }

  function reading(tooth) {
    const t = tooth.table, h0 = t.half[t.at_pitch], drive = tooth.drive[t.at_pitch], coast = tooth.coast[t.at_pitch];
    const tip = t.at_probe < tooth.rows ? Math.max(0, tooth.drive[t.at_probe] + tooth.coast[t.at_probe]) : 0;
    const flank = tooth.driveFlank.slice(t.at_junction);
    return {
      drive_loss_mm: h0 - drive, coast_loss_mm: h0 - coast, thickness_mm: drive + coast,
      asymmetry_percent: 100 * (coast - drive) / (2 * coast), tip_thickness_mm: tip,
      tip_thinning_percent: 100 * (1 - tip / (2 * t.half[t.at_probe])),
      overhang_mm: overhang(flank), hollow_mm: hollow(flank),
    };
  }

  function rollerSeat(tooth, stretch) {
    const t = tooth.table, lift = t.pitch_radius * stretch / 100, circle = t.pitch_radius + lift;
    const nearest = (angle) => {
      const x = circle * Math.sin(angle), y = circle * Math.cos(angle);
      let best = Infinity, at = 0;
      tooth.driveFlank.forEach((p, i) => { const d = Math.hypot(p[0] - x, p[1] - y); if (d < best) { best = d; at = i; } });
      return {gap: best - t.roller_radius, x, y, at};
    };
    if (nearest(0).gap > 0) return {lift_mm: lift, centre_mm: [0, circle], contact_mm: null, contact_height_mm: null, room_to_tip_mm: null};
    let low = 0, high = Math.PI / t.teeth;
    for (let i = 0; i < 48; i++) {
      const middle = (low + high) / 2;
      if (nearest(middle).gap > 0) high = middle; else low = middle;
    }
    const found = nearest(high), touch = tooth.driveFlank[found.at], height = Math.hypot(touch[0], touch[1]);
    return {lift_mm: lift, centre_mm: [found.x, found.y], contact_mm: touch,
      contact_height_mm: height - t.pitch_radius, room_to_tip_mm: t.r[tooth.rows - 1] - height};
  }

  function gradeOf(asymmetry, hook) {
    if (hook >= data.overhang_limit_mm) return "replace-now";
    return data.grades[data.asymmetry_limits_percent.filter((limit) => asymmetry >= limit).length];
  }

  /* erfc by Abramowitz and Stegun 7.1.26: |error| < 1.5e-7 */
  function erfc(x) {
    const z = Math.abs(x), t = 1 / (1 + 0.3275911 * z);
    const y = t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429)))) * Math.exp(-z * z);
    return x >= 0 ? y : 2 - y;
  }
  const below = (limit, value, std) => 0.5 * erfc((value - limit) / (std * Math.SQRT2));

  function gradeChances(asymmetry, asymmetryStd, hook, hookStd) {
    const noHook = below(data.overhang_limit_mm, hook, hookStd);
    const c = data.asymmetry_limits_percent.map((limit) => below(limit, asymmetry, asymmetryStd));
    return {"good": c[0] * noHook, "watch": (c[1] - c[0]) * noHook, "replace-set": (c[2] - c[1]) * noHook, "replace-now": 1 - c[2] * noHook};
  }

  /* who pushes whom: see drive_flank_side() in model.py */
  function driveSide(position, turning) {
    const motion = turning === "clockwise" ? 1 : -1;
    return (position === "front" ? motion : -motion) > 0 ? "clockwise" : "counterclockwise";
  }

  function compute(s) {
    const table = data.wheels[s.position].forms[s.form];
    const tooth = worn(table, s), r = reading(tooth), seat = rollerSeat(tooth, s.stretch);
    const turning = s.travel === "right" ? "clockwise" : "counterclockwise";
    const side = driveSide(s.position, turning);
    const asymmetryStd = 100 * s.sure / (2 * tooth.coast[table.at_pitch]);
    return {tooth, reading: r, seat, turning, side, sign: side === "clockwise" ? 1 : -1, motion: turning === "clockwise" ? 1 : -1,
      grade: gradeOf(r.asymmetry_percent, r.overhang_mm), asymmetryStd,
      chances: gradeChances(r.asymmetry_percent, asymmetryStd, r.overhang_mm, s.sure)};
  }
  return {data, compute, worn, reading, rollerSeat, gradeOf, gradeChances, driveSide};
})();

(() => {
  const $ = (id) => document.getElementById(id);
  const NS = "http://www.w3.org/2000/svg";
  const size = lesson.data.size;  // the drawing and its examples were chosen on chain 520
  const form = $("controls"), stage = $("stage"), map = $("map");

  const state = () => ({
    position: form.elements.position.value, travel: form.elements.travel.value, form: +form.elements.form.value,
    loss: +form.elements.loss.value, hook: +form.elements.hook.value, tip: +form.elements.tip.value,
    stretch: +form.elements.stretch.value, sure: +$("sure").value,
  });

  function add(parent, name, attributes, text) {
    const e = document.createElementNS(NS, name);
    for (const k in attributes) e.setAttribute(k, attributes[k]);
    if (text !== undefined) e.textContent = text;
    parent.appendChild(e);
    return e;
  }
  const path = (points, close) => "M" + points.map((p) => p[0].toFixed(3) + " " + p[1].toFixed(3)).join("L") + (close ? "Z" : "");
  const turned = (p, a) => [p[0] * Math.cos(a) + p[1] * Math.sin(a), -p[0] * Math.sin(a) + p[1] * Math.cos(a)];

  function arrow(parent, from, to, cls, head) {
    const dx = to[0] - from[0], dy = to[1] - from[1], n = Math.hypot(dx, dy), ux = dx / n, uy = dy / n;
    const base = [to[0] - ux * head, to[1] - uy * head], w = head * 0.45;
    add(parent, "path", {class: cls, d: path([from, base], false)});
    add(parent, "path", {class: cls + " head", d: path([[base[0] - uy * w, base[1] + ux * w], to, [base[0] + uy * w, base[1] - ux * w]], true)});
  }

  function drawStage(s, c) {
    stage.replaceChildren();
    const t = c.tooth.table, R = t.pitch_radius, wide = stage.clientWidth || 640;
    const half = (wide < 520 ? 12.2 : 17.5) * size, low = R - 8.6 * size, high = R + 10.6 * size;
    const px = wide / (2 * half), text = 14 / px, step = 2 * Math.PI / t.teeth;
    stage.setAttribute("viewBox", `0 0 ${2 * half} ${high - low}`);
    const X = (p) => [half + c.sign * p[0], high - p[1]];  // own frame to screen: x mirrored where the drive flank is on the left
    const draw = (cls, points, close, extra) => add(stage, "path", {class: cls, d: path(points.map(X), close), ...extra});

    const outline = [...c.tooth.coastFlank, ...[...c.tooth.driveFlank].reverse()];
    const blank = lesson.worn(t, {loss: 0, hook: 0, tip: 0});
    const ideal = [...blank.coastFlank, ...[...blank.driveFlank].reverse()];
    const rim = [];
    for (const k of [-2, -1, 0, 1, 2]) rim.push(...outline.map((p) => turned(p, k * step)));
    const reach = 3 * step, deep = low - 3;
    draw("f-metal", [...rim, turned([0, deep], reach), turned([0, deep], -reach)], true, {id: "tooth"});

    // what is gone from the middle tooth
    const gone = [...blank.driveFlank, ...[...c.tooth.driveFlank].reverse()];
    if (s.loss + s.hook + s.tip > 0) {
      draw("f-gone", gone, true, {id: "gone"});
      if (s.tip > 0) draw("f-gone", [...blank.coastFlank, ...[...c.tooth.coastFlank].reverse()], true);
    }
    draw("f-ideal", ideal, false, {id: "ideal"});

    // pitch circle and roller circle
    const arc = (r) => { const out = []; for (let a = -0.62; a <= 0.62; a += 0.02) out.push(turned([0, r], a * 34 * size / R)); return out; };
    draw("f-rule pitch", arc(R), false);
    if (s.stretch > 0) draw("f-rule lifted", arc(R + c.seat.lift_mm), false);

    // rollers: in each gap one, leaning on its own tooth
    for (const k of [-2, -1, 0, 1]) {
      const p = X(turned(c.seat.centre_mm, k * step));
      add(stage, "circle", {class: "f-roller", cx: p[0], cy: p[1], r: t.roller_radius, ...(k === 0 ? {id: "roller"} : {})});
      add(stage, "circle", {class: "f-rule", cx: p[0], cy: p[1], r: 0.25 * size});
    }
    draw("f-worn", c.tooth.driveFlank.slice(t.at_junction - 40), false, {id: "drive-flank"});
    if (c.seat.contact_mm) {
      const p = X(c.seat.contact_mm);
      add(stage, "circle", {class: "f-point-open", cx: p[0], cy: p[1], r: 0.5 * size, id: "contact"});
    }
    // the chain's pull on the roller points at the tooth it leans on
    const centre = c.seat.centre_mm;
    arrow(stage, X(centre), X([centre[0] - 4.1 * size, centre[1] + (centre[0] > 0 ? 0.35 * size : 0)]), "f-arrow", 1.1 * size);
    // labels, in the same size on every screen
    const label = (content, p, anchor, cls) => add(stage, "text", {x: p[0], y: p[1], "text-anchor": anchor, "font-size": text, class: cls || ""}, content);
    const pullAt = X([centre[0], centre[1]]);
    label("chain pulls", [pullAt[0] + c.sign * 0.2 * size, pullAt[1] + t.roller_radius * 0.62], "middle", "f-strong");
    const top = size + text * 0.9, from = half - c.motion * half * 0.62, to = half + c.motion * half * 0.62;
    arrow(stage, [from, top + text * 0.7], [to, top + text * 0.7], "f-axis", size);
    label("the sprocket turns this way " + (c.motion > 0 ? "→" : "←"), [half, top], "middle", "f-strong");
    const tipAt = X([0, t.r[c.tooth.rows - 1]]);
    label(c.reading.overhang_mm >= 0.05 ? "hook leans " + (c.sign > 0 ? "right" : "left") : "tip", [tipAt[0], tipAt[1] - text * 0.6], "middle", c.reading.overhang_mm >= 0.05 ? "f-strong" : "");
    const foot = high - low - text * 0.55;
    label("drive flank", [half + c.sign * half * 0.1, foot], c.sign > 0 ? "start" : "end", "worn-word inside");
    label("coast flank", [half - c.sign * half * 0.1, foot], c.sign > 0 ? "end" : "start", "inside");
    const lead = X(c.tooth.driveFlank[t.at_junction - 12]);
    add(stage, "path", {class: "f-rule", d: path([[half + c.sign * half * 0.14, foot - text], lead], false)});
  }

  // the whole machine: front right when it travels right
  function drawMap(s, c) {
    map.replaceChildren();
    const f = lesson.data.wheels.front.forms[1].pitch_radius, r = lesson.data.wheels.rear.forms[1].pitch_radius;
    const apart = Math.max(300, 1.3 * (f + r)), k = apart / 300, pad = 26 * k, wide = apart + f + r + 2 * pad, most = Math.max(f, r), tall = 2 * most + 2 * pad;
    map.setAttribute("viewBox", `0 0 ${wide} ${tall}`);
    const text = 13 * wide / (map.clientWidth || 420);
    const flip = c.motion > 0 ? (x) => x : (x) => wide - x;
    const rear = [pad + r, pad + most], front = [pad + r + apart, pad + most];
    const lean = Math.asin((r - f) / apart);  // open belt: the runs lean by the difference of the radii
    const on = (centre, radius, up) => [centre[0] + radius * Math.sin(lean), centre[1] + (up ? -1 : 1) * radius * Math.cos(lean)];
    const P = (p) => [flip(p[0]), p[1]];
    const top = [on(rear, r, true), on(front, f, true)], bottom = [on(rear, r, false), on(front, f, false)];
    for (const [centre, radius, name] of [[rear, r, "rear"], [front, f, "front"]]) {
      const p = P(centre);
      add(map, "circle", {class: "f-metal", cx: p[0], cy: p[1], r: radius});
      add(map, "text", {x: p[0], y: p[1] + text * 0.35, "text-anchor": "middle", "font-size": text, class: (name === s.position ? "f-strong" : "") + (radius > 1.6 * text ? " inside" : "")}, name);
    }
    add(map, "path", {class: "f-worn", d: path(top.map(P), false)});
    const sag = [[...bottom[0]], [(bottom[0][0] + bottom[1][0]) / 2, Math.max(bottom[0][1], bottom[1][1]) - 6 * k], [...bottom[1]]].map(P);
    add(map, "path", {class: "f-axis", d: `M${sag[0]}Q${sag[1]} ${sag[2]}`});
    const mid = (a, b, k) => [a[0] + (b[0] - a[0]) * k, a[1] + (b[1] - a[1]) * k];
    const m = P(mid(top[0], top[1], 0.3));
    const tight = add(map, "text", {x: m[0], y: m[1] - text * 0.9, "text-anchor": c.motion > 0 ? "start" : "end", "font-size": text}, "tight run, pulled forward");
    if (tight.getComputedTextLength() > (c.motion > 0 ? wide - m[0] : m[0])) tight.textContent = "tight run";
    // over the run, on the side where it falls away from the words
    const l = mid(mid(sag[0], sag[1], 0.6), mid(sag[1], sag[2], 0.6), 0.6);
    add(map, "text", {x: l[0], y: l[1] - text * 0.5, "text-anchor": c.motion > 0 ? "end" : "start", "font-size": text}, "slack run");
    // the close-up looks here
    const [centre, radius] = s.position === "front" ? [front, f] : [rear, r], spot = P([centre[0], centre[1] - radius]);
    add(map, "circle", {class: "f-point-open", cx: spot[0], cy: spot[1], r: 17 * k});
    const y = tall - text * 0.2, a = P([wide - pad - 100 * k, y - text * 0.4]), b = P([wide - pad, y - text * 0.4]);
    arrow(map, a, b, "f-axis", 16 * k);
    add(map, "text", {x: (a[0] + b[0]) / 2, y: y - text * 0.9, "text-anchor": "middle", "font-size": text}, "travel");
  }

  const mm = (v, n) => (Math.abs(v) < 0.5 * 10 ** -n ? 0 : v).toFixed(n) + "\u00a0mm";
  const percent = (v, n) => (Math.abs(v) < 0.5 * 10 ** -n ? 0 : v).toFixed(n) + "\u00a0%";
  let spoken = 0;

  function update() {
    const s = state(), c = lesson.compute(s), r = c.reading, seat = c.seat;
    for (const [name, unit, digits] of [["loss", "mm", 2], ["hook", "mm", 2], ["tip", "%", 0], ["stretch", "%", 1]]) {
      const input = form.elements[name], shown = (+input.value).toFixed(digits) + " " + unit;
      $(name + "-out").textContent = shown;
      input.setAttribute("aria-valuetext", shown);
    }
    $("sure-out").textContent = "± " + s.sure.toFixed(2) + " mm";
    $("sure").setAttribute("aria-valuetext", $("sure-out").textContent);
    drawStage(s, c);
    drawMap(s, c);
    form.style.setProperty("--covered", stage.parentElement.offsetHeight + "px");
    const put = (id, value) => { $(id).textContent = value; };
    put("n-loss", mm(r.drive_loss_mm, 2));
    put("n-thickness", mm(r.thickness_mm, 2));
    put("n-asymmetry", percent(r.asymmetry_percent, 1));
    put("n-tip", percent(r.tip_thinning_percent, 0));
    put("n-overhang", mm(r.overhang_mm, 2));
    put("n-hollow", mm(r.hollow_mm, 2));
    put("n-lift", mm(seat.lift_mm, 2));
    const climbs = seat.contact_height_mm === null ? "nowhere: it passes over the tip" :
      mm(Math.abs(seat.contact_height_mm), 1) + (seat.contact_height_mm < 0 ? " below" : " above") + " the pitch circle";
    put("n-contact", climbs);
    put("n-room", seat.room_to_tip_mm === null ? "none" : mm(seat.room_to_tip_mm, 1));
    put("grade", c.grade);
    put("s-grade", c.grade);
    put("s-numbers", `asymmetry ${percent(r.asymmetry_percent, 1)} · hook overhang ${mm(r.overhang_mm, 2)}`);
    put("meaning", lesson.data.meaning[c.grade]);
    const why = r.overhang_mm >= lesson.data.overhang_limit_mm ? `hook overhang ${mm(r.overhang_mm, 2)} is ${lesson.data.overhang_limit_mm} mm or more` :
      `asymmetry ${percent(r.asymmetry_percent, 1)}`;
    put("why", why);
    for (const name of lesson.data.grades) {
      const share = c.chances[name];
      $("p-" + name).textContent = percent(100 * share, 0);
      $("b-" + name).style.width = (100 * share).toFixed(1) + "%";
      $("row-" + name).classList.toggle("on", name === c.grade);
    }
    const most = Math.max(...Object.values(c.chances));
    const sure = Math.min(most, lesson.data.most_confidence);
    put("confidence", most < 0.5 ? "No grade reaches one half: cannot-tell." :
      `Confidence ${most > sure ? "over " : ""}${percent(100 * sure, 0)} in ${Object.keys(c.chances).find((k) => c.chances[k] === most)}.`);
    $("needle").style.left = Math.max(0, Math.min(100, r.asymmetry_percent / 35 * 100)) + "%";
    $("spread").style.left = Math.max(0, Math.min(100, (r.asymmetry_percent - 1.96 * c.asymmetryStd) / 35 * 100)) + "%";
    $("spread").style.right = Math.max(0, Math.min(100, 100 - (r.asymmetry_percent + 1.96 * c.asymmetryStd) / 35 * 100)) + "%";

    const leads = c.side === c.turning;
    const story = `${s.position === "front" ? "Front" : "Rear"} sprocket, travel to the ${s.travel}, so it turns ${c.turning}. ` +
      `The drive flank is the ${leads ? "leading" : "trailing"} flank, on the ${c.sign > 0 ? "right" : "left"} at the top of the sprocket. ` +
      (r.overhang_mm >= 0.05 ? `The hook leans ${c.sign > 0 ? "right" : "left"}, ${leads ? "with" : "against"} the rotation. ` : "") +
      `The roller touches ${climbs}.`;
    put("story", story);
    stage.setAttribute("aria-label", "Drawing of a tooth. " + story);
    // told to a screen reader only when the hand rests
    clearTimeout(spoken);
    spoken = setTimeout(() => { put("told", `Asymmetry ${percent(r.asymmetry_percent, 1)}, hook overhang ${mm(r.overhang_mm, 2)}, grade ${c.grade}.`); }, 700);
  }

  const presets = {
    "new": {loss: 0, hook: 0, tip: 0, stretch: 0, form: 1},
    "early": {loss: 0.3 * size, hook: 0, tip: 0, stretch: 0.5, form: 1},
    "hooked": {loss: 0.5 * size, hook: 0.9 * size, tip: 15, stretch: 1.5, form: 1},
    "climbing": {loss: 0, hook: 0, tip: 0, stretch: 3, form: 1, position: "rear"},
    "pointed": {loss: 0, hook: 0, tip: 0, stretch: 0, form: 2},
  };
  for (const button of document.querySelectorAll("[data-preset]"))
    button.addEventListener("click", () => {
      for (const [name, value] of Object.entries(presets[button.dataset.preset])) form.elements[name].value = value;
      update();
    });
  form.addEventListener("input", update);
  $("sure").addEventListener("input", update);
  form.addEventListener("submit", (e) => e.preventDefault());
  window.addEventListener("resize", update);
  update();
})();
