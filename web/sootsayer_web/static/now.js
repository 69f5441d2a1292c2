// The last ten minutes, extended as readings come: asked and moved above, gas at each opening below.
import { on, renew } from "./page.js";
import { Stack } from "./plots.js";

const OVERLAP_MS = 5000; // the newest columns were not full yet when they were fetched
const COLUMN_MS = 1000;
const TABLE_MS = 30_000; // how often the tables beside the plot are renewed

const root = document.getElementById("recent-plot");
let stack = null;
let recent = null;
let end = 0;
let busy = false;
const traces = new Map();

async function ask(url) {
  const answer = await fetch(url);
  return answer.ok ? answer.json() : null;
}

const span = () => Date.parse(recent.end) - Date.parse(recent.start);

async function extend(from, to) {
  const channels = [recent.asked, recent.moved].filter(Boolean);
  if (!channels.length) return;
  const column = Math.max(COLUMN_MS, span() / root.clientWidth); // no more columns than pixels
  const width = Math.max(1, Math.ceil((to - from) / column));
  const query = new URLSearchParams({ channels: channels.join(","), start: from, end: to, width });
  const answer = await ask(`${root.dataset.trace}?${query}`);
  if (!answer) return;
  for (const newer of answer.channels) traces.set(newer.channel, merged(traces.get(newer.channel), newer, from, to - span()));
  end = to;
}

/** The older columns up to `from`, then the newer ones; nothing before `oldest`. */
function merged(older, newer, from, oldest) {
  if (!older) return newer;
  const kept = older.t_ms.map((t, i) => (t > oldest && t <= from ? i : -1)).filter((i) => i >= 0);
  const joined = { ...newer };
  for (const key of ["t_ms", "mean", "low", "high"]) joined[key] = [...kept.map((i) => older[key][i]), ...newer[key]];
  return joined;
}

function draw() {
  // The thin dashed line lies on the thick one, so that both are seen where they agree.
  const lines = [["moved", recent.moved], ["asked", recent.asked]].filter(([, channel]) => traces.has(channel));
  const panels = [{
    title: "Asked and moved, %",
    unit: "%",
    floor: 0,
    least: 10,
    traces: lines.map(([line, channel]) => ({ line, trace: traces.get(channel) })),
    key: [...lines.map(([line]) => ({ words: line, line })).reverse(), { words: "recirculation permitted", line: "permitted" }],
  }];
  const measured = recent.openings.filter((opening) => opening.flow_g_s !== null);
  if (measured.length) panels.push(gasPanel(measured));
  stack ??= new Stack(root, "Asked and moved, and gas taken in, over the last ten minutes. The tables below hold the same values.");
  stack.draw({ start: end - span(), end, shades: recent.permitted, panels });
}

function gasPanel(openings) {
  const tops = openings.flatMap((o) => [o.flow_g_s + 2 * (o.flow_sd_g_s ?? 0), (o.due_g_s ?? 0) + 2 * (o.flow_sd_g_s ?? 0)]);
  const lows = openings.map((o) => o.flow_g_s - 2 * (o.flow_sd_g_s ?? 0));
  return {
    title: "Gas, as air it displaces, g/s",
    unit: "g/s",
    floor: Math.min(0, ...lows),
    least: Math.max(1, ...tops),
    traces: [],
    key: [{ words: "measured, ± 2 standard deviations", line: "warm" }, { words: "due, ± the same", line: "due" }],
    paint: (plot, { ink }) => openings.forEach((opening) => paintOpening(plot, opening, ink)),
  };
}

function paintOpening(plot, opening, ink) {
  const { ctx } = plot;
  const x = (moment) => plot.valToPos(Date.parse(moment) / 1000, "x", true);
  const y = (value) => plot.valToPos(value, "y", true);
  const left = Math.max(x(opening.start), plot.bbox.left);
  const right = Math.min(x(opening.end), plot.bbox.left + plot.bbox.width);
  if (right <= left) return;
  const unsure = 2 * (opening.flow_sd_g_s ?? 0);
  ctx.save();
  if (opening.due_g_s !== null) {
    const [top, bottom] = [y(opening.due_g_s + unsure), y(Math.max(0, opening.due_g_s - unsure))];
    ctx.fillStyle = ink("band");
    ctx.fillRect(left, top, right - left, bottom - top);
    ctx.strokeStyle = ink("accent");
    ctx.setLineDash([3 * devicePixelRatio, 3 * devicePixelRatio]);
    ctx.lineWidth = devicePixelRatio;
    ctx.strokeRect(left, top, right - left, bottom - top);
    ctx.setLineDash([]);
  }
  ctx.strokeStyle = ink("warm");
  ctx.lineWidth = 2.4 * devicePixelRatio;
  const middle = (left + right) / 2;
  ctx.beginPath();
  ctx.moveTo(left, y(opening.flow_g_s));
  ctx.lineTo(right, y(opening.flow_g_s));
  ctx.moveTo(middle, y(opening.flow_g_s - unsure));
  ctx.lineTo(middle, y(opening.flow_g_s + unsure));
  ctx.stroke();
  ctx.restore();
}

async function begin() {
  const now = await ask(root.dataset.now);
  if (!now?.recent.end) return;
  recent = now.recent;
  await extend(Date.parse(recent.start), Date.parse(recent.end));
  if (end) draw();
  else root.textContent = "This car tells neither what is asked of the valve nor how it moves.";
  root.dataset.state = "drawn";
}

async function follow({ last_reading: last }) {
  const to = Date.parse(last ?? "");
  if (busy || !Number.isFinite(to)) return;
  busy = true;
  try {
    if (!recent) await begin();
    else if (to - end >= COLUMN_MS) {
      const long = to - end > span();
      await extend(long ? to - span() : end - OVERLAP_MS, to);
      draw();
      root.dataset.end = end;
    }
  } finally { busy = false; }
}

/** What grows without being news: the tables beside the plot, and where recirculation was permitted. */
async function refresh() {
  if (!recent || document.hidden) return;
  const now = await ask(root.dataset.now);
  if (now?.recent.end) recent = { ...now.recent, start: recent.start, end: recent.end };
  if (end) draw();
  renew();
}

if (root && typeof uPlot !== "undefined") {
  busy = true;
  begin().finally(() => { busy = false; });
  on("readings", follow);
  on("now", (now) => {
    if (!recent || !now.recent.end) return;
    recent = { ...now.recent, start: recent.start, end: recent.end };
    if (end) draw();
  });
  setInterval(refresh, TABLE_MS);
}
