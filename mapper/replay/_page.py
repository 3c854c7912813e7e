# ruff: noqa: E501 - style sheet and script are text for the browser
"""The fixed parts of the report: its style and the script that draws, both our own and both inside the one HTML file."""

from __future__ import annotations

STYLE = """
:root{--paper:#fbfaf7;--card:#ffffff;--ink:#1d2126;--soft:#5d6570;--line:#d9d6cf;--grid:#eceae4;--demand:#b4560a;
--joint:#0a5aa8;--stop:#a8232c;--drive:#23754a;--note:#fff4dc;--noteline:#c98a13;
--s0:#8a8f98;--s1:#64748b;--s2:#7a55b5;--s3:#2c8a57;--s4:#c27c0e;--s5:#c22f36;--s6:#a3246f;
--l0:#d8a21b;--l1:#c22f36;--l2:#0f86a5;--l3:#7a55b5;--l4:#5b5f66;--l5:#4d8a3f}
@media (prefers-color-scheme:dark){:root{--paper:#14171b;--card:#1b1f25;--ink:#e6e3dc;--soft:#9aa2ad;--line:#363c45;--grid:#262b32;
--demand:#f0a35e;--joint:#6cb2f5;--stop:#f2777d;--drive:#6fcf9a;--note:#33290f;--noteline:#c98a13;
--s0:#7b818b;--s1:#71829b;--s2:#9d7fd4;--s3:#3fa36d;--s4:#d29325;--s5:#d94a51;--s6:#c4488f;
--l0:#e3b53f;--l1:#e5565d;--l2:#3bb3d1;--l3:#a688dd;--l4:#8d939c;--l5:#7dbb6d}}
*{box-sizing:border-box}
body{margin:0;background:var(--paper);color:var(--ink);font:15px/1.45 system-ui,"Segoe UI","Liberation Sans",sans-serif}
main{max-width:1240px;margin:0 auto;padding:24px 28px 60px}
h1{font-size:25px;margin:0 0 2px;letter-spacing:-.01em}
h2{font-size:18px;margin:34px 0 10px}
.lead{color:var(--soft);margin:0 0 16px}
.caution{background:var(--note);border-left:4px solid var(--noteline);padding:10px 14px;margin:14px 0}
.caution p{margin:0 0 4px}.caution p:last-child{margin:0}
table{border-collapse:collapse;width:100%;background:var(--card);font-variant-numeric:tabular-nums}
th,td{text-align:left;padding:6px 10px;border-bottom:1px solid var(--line);vertical-align:top}
th{font-weight:600;color:var(--soft);font-size:13px}
td.n,th.n{text-align:right;white-space:nowrap}
.facts{display:grid;grid-template-columns:max-content 1fr;gap:3px 18px;margin:0}
.facts dt{color:var(--soft)}.facts dd{margin:0;overflow-wrap:anywhere}
.scroll{overflow-x:auto}
ul.notes{margin:0;padding-left:20px}ul.notes li{margin:3px 0}
.bar{display:flex;flex-wrap:wrap;gap:8px;align-items:center;margin:0 0 10px;position:sticky;top:0;background:var(--paper);
padding:8px 0;z-index:2}
.bar button{font:inherit;font-size:14px;color:var(--ink);background:var(--card);border:1px solid var(--line);border-radius:5px;
padding:4px 12px;cursor:pointer}
.bar button:hover{border-color:var(--soft)}
.bar .at{margin-left:auto;color:var(--soft);font-variant-numeric:tabular-nums}
.row{display:grid;grid-template-columns:176px 1fr;gap:12px;background:var(--card);border:1px solid var(--line);border-bottom:0;
padding:8px 10px}
.plots .row:last-child{border-bottom:1px solid var(--line)}
.row h3{margin:0 0 4px;font-size:15px}
.key{font-size:12.5px;color:var(--soft);line-height:1.5}
.key b{display:inline-block;width:16px;height:0;border-top:3px solid;vertical-align:middle;margin-right:6px}
.key i{font-style:normal;font-variant-numeric:tabular-nums;color:var(--ink);float:right}
.key b.dash{border-top-style:dashed;border-top-width:2px}
canvas{display:block;width:100%;cursor:crosshair;touch-action:none}
.chip{display:inline-block;min-width:22px;text-align:center;border-radius:10px;color:#fff;font-size:12px;padding:1px 6px}
.strip{font-size:13px;color:var(--soft);margin:8px 0 0}
.strip span{display:inline-block;width:22px;height:8px;margin:0 5px 0 14px}
footer{margin-top:36px;color:var(--soft);font-size:13px}
@media (max-width:700px){.row{grid-template-columns:1fr}main{padding:16px 12px}}
"""

SCRIPT = r"""
"use strict";
const data = JSON.parse(document.getElementById("data").textContent);
const whole = [data.start, data.start + data.tick * data.ticks];
let view = whole.slice(), cursor = null, drag = null;
const PAD = {left: 46, right: 8};
const rows = [];

function decode(text) {
  const raw = atob(text), bytes = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
  const view16 = new DataView(bytes.buffer), out = new Float64Array(raw.length / 2);
  for (let i = 0; i < out.length; i++) out[i] = view16.getInt16(2 * i, true);
  return out;
}
function series(source) {
  const low = decode(source.low), high = source.high ? decode(source.high) : low;
  return {low: low.map(v => v * source.step), high: high.map(v => v * source.step)};
}
function colour(name) { return getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim(); }
function xOf(time, width) { return PAD.left + (time - view[0]) / (view[1] - view[0]) * (width - PAD.left - PAD.right); }
function timeOf(x, width) { return view[0] + (x - PAD.left) / (width - PAD.left - PAD.right) * (view[1] - view[0]); }
function bucketAt(time) {
  const at = Math.floor((time - data.start) / (data.tick * data.width));
  return Math.max(0, Math.min(data.buckets - 1, at));
}
function niceStep(span, count) {
  const rough = span / Math.max(1, count), power = Math.pow(10, Math.floor(Math.log10(rough)));
  for (const m of [1, 2, 5, 10]) if (m * power >= rough) return m * power;
  return 10 * power;
}
function prepare(canvas, height) {
  const ratio = window.devicePixelRatio || 1, width = canvas.clientWidth;
  canvas.width = Math.round(width * ratio); canvas.height = Math.round(height * ratio);
  canvas.style.height = height + "px";
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0); pen.clearRect(0, 0, width, height);
  pen.font = "11px system-ui, 'Liberation Sans', sans-serif"; pen.textBaseline = "middle";
  return [pen, width];
}
function timeGrid(pen, width, height, top) {
  const step = niceStep(view[1] - view[0], width / 110);
  pen.strokeStyle = colour("grid"); pen.lineWidth = 1; pen.beginPath();
  for (let t = Math.ceil(view[0] / step) * step; t <= view[1]; t += step) {
    const x = Math.round(xOf(t, width)) + .5; pen.moveTo(x, top); pen.lineTo(x, height);
  }
  pen.stroke();
  if (view[0] < 0 && view[1] > 0) {
    const x = xOf(0, width);
    pen.fillStyle = colour("grid"); pen.globalAlpha = .5; pen.fillRect(PAD.left, top, x - PAD.left, height - top); pen.globalAlpha = 1;
  }
}
function marks(pen, width, height) {
  for (const event of data.events) {
    if (event.time < view[0] || event.time > view[1]) continue;
    const x = Math.round(xOf(event.time, width)) + .5;
    pen.strokeStyle = colour(event.kind === "fault" ? "stop" : "soft"); pen.globalAlpha = event.kind === "fault" ? .9 : .4;
    pen.lineWidth = 1; pen.beginPath(); pen.moveTo(x, 0); pen.lineTo(x, height); pen.stroke(); pen.globalAlpha = 1;
  }
  if (cursor !== null) {
    const x = Math.round(xOf(cursor, width)) + .5;
    pen.strokeStyle = colour("ink"); pen.globalAlpha = .6; pen.beginPath(); pen.moveTo(x, 0); pen.lineTo(x, height); pen.stroke();
    pen.globalAlpha = 1;
  }
  if (drag && Math.abs(drag[1] - drag[0]) > 0) {
    const a = xOf(Math.min(...drag), width), b = xOf(Math.max(...drag), width);
    pen.fillStyle = colour("joint"); pen.globalAlpha = .15; pen.fillRect(a, 0, b - a, height); pen.globalAlpha = 1;
  }
}
function line(pen, width, y, one, style, turns) {
  const first = Math.max(0, bucketAt(view[0]) - 1), last = Math.min(data.buckets - 1, bucketAt(view[1]) + 1);
  const seconds = data.tick * data.width, perPixel = Math.max(1, Math.floor((last - first) / ((width - PAD.left) * 1.5)));
  pen.strokeStyle = style; pen.lineWidth = 1.4; pen.lineJoin = "round"; pen.beginPath();
  let before = null;
  for (let i = first; i <= last; i += perPixel) {
    let low = one.low[i], high = one.high[i];
    for (let k = i + 1; k < Math.min(last + 1, i + perPixel); k++) {
      if (one.low[k] < low) low = one.low[k];
      if (one.high[k] > high) high = one.high[k];
    }
    const x = xOf(data.start + (i + .5 * (data.width > 1 ? 1 : 0)) * seconds, width);
    const jump = turns && (high - low > 180 || (before !== null && Math.abs(low - before) > 180));
    if (before === null || jump) pen.moveTo(x, y(jump ? (one.low[Math.min(last, i + perPixel)] > 0 ? high : low) : low));
    else if (Math.abs(before - high) < Math.abs(before - low)) { pen.lineTo(x, y(high)); if (high !== low) pen.lineTo(x, y(low)); }
    else { pen.lineTo(x, y(low)); if (high !== low) pen.lineTo(x, y(high)); }
    before = jump ? one.low[Math.min(last, i + perPixel)] : low;
  }
  pen.stroke();
}
function range(list, extra) {
  let low = Infinity, high = -Infinity;
  for (const one of list) for (let i = 0; i < one.low.length; i++) {
    if (one.low[i] < low) low = one.low[i];
    if (one.high[i] > high) high = one.high[i];
  }
  for (const v of extra) { low = Math.min(low, v); high = Math.max(high, v); }
  const room = Math.max(.5, (high - low) * .06);
  return [low - room, high + room];
}
function plot(row) {
  const [pen, width] = prepare(row.canvas, row.height);
  const height = row.height, top = 4, bottom = height - (row.strip ? 14 : 5) - (row.axis ? 20 : 0);
  const y = v => bottom - (v - row.range[0]) / (row.range[1] - row.range[0]) * (bottom - top);
  timeGrid(pen, width, bottom, top);
  const step = niceStep(row.range[1] - row.range[0], (bottom - top) / 24);
  pen.textAlign = "right";
  for (let v = Math.ceil(row.range[0] / step) * step; v <= row.range[1]; v += step) {
    pen.strokeStyle = colour("grid"); pen.lineWidth = 1;
    pen.beginPath(); pen.moveTo(PAD.left, Math.round(y(v)) + .5); pen.lineTo(width - PAD.right, Math.round(y(v)) + .5); pen.stroke();
    pen.fillStyle = colour("soft"); pen.fillText(String(Math.round(v * 1000) / 1000), PAD.left - 6, y(v));
  }
  pen.save(); pen.beginPath(); pen.rect(PAD.left, 0, width - PAD.left - PAD.right, height); pen.clip();
  for (const limit of row.limits) {
    pen.strokeStyle = colour("stop"); pen.lineWidth = 1.3; pen.setLineDash([6, 4]);
    pen.beginPath(); pen.moveTo(PAD.left, y(limit)); pen.lineTo(width, y(limit)); pen.stroke(); pen.setLineDash([]);
  }
  for (const [one, name] of row.lines) line(pen, width, y, one, colour(name), row.turns);
  if (row.strip) for (const [from, to, what] of row.strip) {
    const a = xOf(from, width), b = xOf(to, width);
    if (b < PAD.left || a > width) continue;
    pen.fillStyle = colour("l" + what); pen.fillRect(a, bottom + 5, Math.max(1, b - a), 7);
  }
  marks(pen, width, row.axis ? bottom : height);
  pen.restore();
  if (row.axis) axis(pen, width, bottom + 11);
}
function axis(pen, width, y) {
  const step = niceStep(view[1] - view[0], width / 110);
  pen.textAlign = "center"; pen.fillStyle = colour("soft");
  for (let t = Math.ceil(view[0] / step) * step; t <= view[1] + 1e-9; t += step) {
    const x = xOf(t, width);
    if (x > PAD.left - 1 && x < width - 14) pen.fillText(Math.round(t * 1000) / 1000 + " s", x, y);
  }
}
function band(row) {
  const [pen, width] = prepare(row.canvas, row.height);
  const top = 24, bottom = row.height - 22;
  pen.save(); pen.beginPath(); pen.rect(PAD.left, 0, width - PAD.left - PAD.right, row.height); pen.clip();
  data.states.forEach((entry, index) => {
    const end = index + 1 < data.states.length ? data.states[index + 1][0] : whole[1];
    const a = xOf(entry[0], width), b = xOf(end, width);
    if (b < PAD.left || a > width) return;
    pen.fillStyle = colour("s" + entry[1]); pen.fillRect(a, top, Math.max(1, b - a), bottom - top);
    const text = data.stateNames[entry[1]].replace("_", " "), left = Math.max(a, PAD.left), room = Math.min(b, width) - left;
    pen.textAlign = "left"; pen.fillStyle = "#fff";
    if (pen.measureText(text).width + 10 < room) pen.fillText(text, left + 5, (top + bottom) / 2);
  });
  marks(pen, width, bottom);
  pen.restore();
  flags(pen, width, top);
  axis(pen, width, bottom + 12);
}
function flags(pen, width, top) {
  const groups = [];
  data.events.forEach((event, index) => {
    if (event.time < view[0] || event.time > view[1]) return;
    const x = xOf(event.time, width), last = groups[groups.length - 1];
    if (last && x - last.x < 30) { last.to = index + 1; if (event.kind === "fault") last.kind = "fault"; last.state = event.state; }
    else groups.push({x, from: index + 1, to: index + 1, kind: event.kind, state: event.state});
  });
  for (const group of groups) {
    const text = group.from === group.to ? String(group.from) : group.from + "–" + group.to;
    const size = pen.measureText(text).width + 12, x = Math.min(Math.max(group.x, PAD.left + size / 2), width - PAD.right - size / 2);
    pen.fillStyle = colour(group.kind === "fault" ? "stop" : "s" + group.state);
    pen.beginPath(); pen.roundRect(x - size / 2, top - 20, size, 16, 8); pen.fill();
    pen.textAlign = "center"; pen.fillStyle = "#fff"; pen.fillText(text, x, top - 11.5);
  }
}
function readout() {
  document.getElementById("at").textContent = cursor === null ? "" : "at " + cursor.toFixed(3) + " s";
  for (const row of rows) if (row.readouts) row.readouts.forEach(([cell, one, digits]) => {
    if (cursor === null) { cell.textContent = ""; return; }
    const i = bucketAt(cursor), low = one.low[i], high = one.high[i];
    cell.textContent = high - low > Math.pow(10, -digits) ? low.toFixed(digits) + " … " + high.toFixed(digits) : low.toFixed(digits);
  });
}
function draw() { for (const row of rows) (row.band ? band : plot)(row); readout(); }
function show(from, to) {
  const least = Math.max(20 * data.tick, .05);
  let length = Math.min(Math.max(to - from, least), whole[1] - whole[0]);
  from = Math.min(Math.max(from, whole[0]), whole[1] - length);
  view = [from, from + length]; draw();
}
function keyLine(parent, name, text, one, digits, dash) {
  const div = document.createElement("div"), mark = document.createElement("b"), value = document.createElement("i");
  mark.style.borderColor = "var(--" + name + ")"; if (dash) mark.className = "dash";
  div.append(value, mark, text); parent.append(div);
  return one ? [value, one, digits] : null;
}
function addRow(title, height) {
  const row = document.createElement("div"), left = document.createElement("div"), right = document.createElement("div");
  const head = document.createElement("h3"), key = document.createElement("div"), canvas = document.createElement("canvas");
  row.className = "row"; key.className = "key"; head.textContent = title; left.append(head, key); right.append(canvas); row.append(left, right);
  canvas.setAttribute("role", "img"); canvas.setAttribute("aria-label", title);
  document.getElementById("plots").append(row);
  listen(canvas);
  return {canvas, key, right, height, limits: [], lines: []};
}
function second(row, height, label) {
  const canvas = document.createElement("canvas"); canvas.setAttribute("role", "img"); canvas.setAttribute("aria-label", label);
  row.right.append(canvas); listen(canvas);
  return {canvas, height, limits: [], lines: []};
}
function listen(canvas) {
  const at = event => timeOf(event.clientX - canvas.getBoundingClientRect().left, canvas.clientWidth);
  canvas.addEventListener("pointermove", event => { cursor = Math.min(Math.max(at(event), view[0]), view[1]); if (drag) drag[1] = cursor; draw(); });
  canvas.addEventListener("pointerleave", () => { if (!drag) { cursor = null; draw(); } });
  canvas.addEventListener("pointerdown", event => { canvas.setPointerCapture(event.pointerId); const t = Math.min(Math.max(at(event), view[0]), view[1]); drag = [t, t]; });
  canvas.addEventListener("pointerup", () => {
    if (!drag) return;
    const [a, b] = [Math.min(...drag), Math.max(...drag)]; drag = null;
    if ((b - a) / (view[1] - view[0]) > .01) show(a, b); else draw();
  });
  canvas.addEventListener("dblclick", () => show(...whole));
}
(function build() {
  const states = addRow("State", 72);
  states.band = true;
  states.key.textContent = "numbers: the events listed below";
  rows.push(states);
  for (const joint of data.joints) {
    const row = addRow(joint.title, joint.follows ? 150 : 110), position = series(joint.position);
    const drive = series(joint.drive), demand = series(joint.demand);
    row.readouts = [];
    row.turns = joint.turns; row.limits = joint.soft;
    if (joint.follows) { row.readouts.push(keyLine(row.key, "demand", "operator, deg", demand, 2)); row.lines.push([demand, "demand"]); }
    row.readouts.push(keyLine(row.key, "joint", "joint, deg", position, 2)); row.lines.push([position, "joint"]);
    if (joint.soft.length) keyLine(row.key, "stop", "soft stops", null, 0, true);
    row.range = range(row.lines.map(l => l[0]), joint.soft);
    row.strip = joint.limited;
    const below = second(row, 74, joint.title + " drive");
    below.readouts = [keyLine(row.key, "drive", "drive, %", drive, 1)];
    if (!joint.follows) { below.readouts.push(keyLine(row.key, "demand", "lever, %", demand, 1)); below.lines.push([demand, "demand"]); }
    below.lines.push([drive, "drive"]);
    below.range = range(below.lines.map(l => l[0]), [-20, 20]);
    rows.push(row, below);
  }
  const pump = addRow("Pump flow", 130), asked = series(data.pump.asked), given = series(data.pump.given);
  pump.axis = true; pump.limits = [data.pump.limit];
  pump.readouts = [keyLine(pump.key, "demand", "asked, l/min", asked, 1), keyLine(pump.key, "joint", "given, l/min", given, 1)];
  const word = document.createElement("div"); word.textContent = "asked: before sharing"; pump.key.append(word);
  keyLine(pump.key, "stop", "pump's limit", null, 0, true);
  pump.lines = [[asked, "demand"], [given, "joint"]]; pump.range = range([asked, given], [0, data.pump.limit]);
  rows.push(pump);
  const act = {in: () => zoom(.5), out: () => zoom(2), left: () => pan(-.25), right: () => pan(.25), all: () => show(...whole), own: () => show(data.own[0], data.own[1])};
  function zoom(k) { const c = (view[0] + view[1]) / 2, h = (view[1] - view[0]) * k / 2; show(c - h, c + h); }
  function pan(k) { const d = (view[1] - view[0]) * k; show(view[0] + d, view[1] + d); }
  for (const button of document.querySelectorAll("[data-act]")) button.addEventListener("click", act[button.dataset.act]);
  window.addEventListener("resize", draw);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  draw();
})();
"""
