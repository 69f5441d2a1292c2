// Plots stacked on one time axis, drawn by uPlot. Each line differs by width and dashes, not by
// colour alone; the same values stand in a table beside every plot.
/* global uPlot */

const GAP_TIMES = 3; // a pause this many times the usual spacing is a gap, not a line
const GAP_LEAST_MS = 2500;
const AXIS = 46;

const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

const LINES = {
  asked: () => ({ stroke: ink("ink"), width: 1.4, dash: [5, 3] }),
  moved: () => ({ stroke: ink("accent"), width: 2.4 }),
  warm: () => ({ stroke: ink("warm"), width: 2.4 }),
};

/** A trace of the interface as plot table [seconds, mean, low, high], with gaps as nulls. */
function table({ t_ms: t, mean, low, high }) {
  const steps = t.slice(1).map((later, i) => later - t[i]).sort((a, b) => a - b);
  const gap = Math.max(GAP_LEAST_MS, GAP_TIMES * (steps[steps.length >> 1] ?? 0));
  const rows = [[], [], [], []];
  t.forEach((moment, i) => {
    if (i && moment - t[i - 1] > gap) [t[i - 1] + 1, null, null, null].forEach((v, k) => rows[k].push(k ? v : v / 1000));
    [moment / 1000, mean[i], low[i], high[i]].forEach((v, k) => rows[k].push(v));
  });
  return rows;
}

function aligned(traces) {
  const tables = traces.map(table);
  if (!tables.length) return [[], []];
  return tables.length === 1 ? tables[0] : uPlot.join(tables, tables.map((rows) => rows.map(() => 2)));
}

const figure = (value) => Number.isFinite(value) ? String(+value.toPrecision(3)).replace("-", "−") : "–";

function headOf(panel) {
  const head = document.createElement("p");
  head.className = "plot-head";
  const title = head.appendChild(document.createElement("b"));
  title.textContent = panel.title;
  for (const { words, line } of panel.key ?? []) {
    const item = head.appendChild(document.createElement("span"));
    item.append(sample(line), words);
  }
  const at = head.appendChild(document.createElement("span"));
  at.className = "at";
  return { head, at };
}

function sample(line) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("width", "26");
  svg.setAttribute("height", "10");
  svg.setAttribute("aria-hidden", "true");
  const boxed = line === "due" || line === "permitted";
  const shape = svg.appendChild(document.createElementNS(svg.namespaceURI, boxed ? "rect" : "path"));
  if (boxed) { shape.setAttribute("width", "26"); shape.setAttribute("height", "10"); }
  else shape.setAttribute("d", "M0 5H26");
  shape.setAttribute("class", `sample ${line}`);
  return svg;
}

function hatch(context) {
  const tile = document.createElement("canvas");
  tile.width = tile.height = 8 * devicePixelRatio;
  const pen = tile.getContext("2d");
  pen.strokeStyle = ink("hatch");
  pen.lineWidth = 1.3 * devicePixelRatio;
  const s = tile.width;
  for (const off of [-s, 0, s]) { pen.moveTo(off, s); pen.lineTo(off + s, 0); }
  pen.stroke();
  return context.createPattern(tile, "repeat");
}

/** Stretches of time behind the lines: plain, or hatched where a chance failed. */
function shade(plot, shades) {
  const { ctx, bbox } = plot;
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  for (const { start, end, failed } of shades) {
    const [left, right] = [start, end].map((moment) => plot.valToPos(Date.parse(moment) / 1000, "x", true));
    ctx.fillStyle = ink("gate");
    ctx.fillRect(left, bbox.top, right - left, bbox.height);
    if (failed) { ctx.fillStyle = hatch(ctx); ctx.fillRect(left, bbox.top, right - left, bbox.height); }
  }
  ctx.restore();
}

function ruleLimit(plot, limit, unit) {
  const { ctx, bbox } = plot;
  const y = plot.valToPos(limit, "y", true);
  ctx.save();
  ctx.strokeStyle = ctx.fillStyle = ink("ink");
  ctx.lineWidth = 1.5 * devicePixelRatio;
  ctx.setLineDash([7 * devicePixelRatio, 4 * devicePixelRatio]);
  ctx.beginPath();
  ctx.moveTo(bbox.left, y);
  ctx.lineTo(bbox.left + bbox.width, y);
  ctx.stroke();
  ctx.font = `${12 * devicePixelRatio}px system-ui, sans-serif`;
  ctx.fillText(`limit ${figure(limit)} ${unit}`, bbox.left + 4 * devicePixelRatio, y - 5 * devicePixelRatio);
  ctx.restore();
}

/**
 * Plots under one another. `draw({start, end, shades, panels})`: start and end in Unix
 * milliseconds; a panel is {title, unit, traces: [{trace, line}], key, limit, paint, floor, least}.
 */
export class Stack {
  constructor(root, label) {
    this.root = root;
    this.plots = [];
    this.view = null;
    root.setAttribute("role", "img");
    root.setAttribute("aria-label", label);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.rebuild());
    new ResizeObserver(() => this.resize()).observe(root);
  }

  draw(view) {
    const same = this.view && this.shape(this.view) === this.shape(view);
    this.view = view;
    if (!same) return this.rebuild();
    this.plots.forEach((plot, i) => plot.setData(aligned(view.panels[i].traces.map((t) => t.trace))));
  }

  shape({ panels }) {
    return JSON.stringify(panels.map((p) => [p.title, p.traces.map((t) => t.line), p.key?.length]));
  }

  rebuild() {
    if (!this.view) return;
    this.plots.forEach((plot) => plot.destroy());
    this.root.replaceChildren();
    this.plots = this.view.panels.map((panel, i) => this.build(panel, i));
  }

  height(last) { return (this.root.clientWidth < 560 ? 100 : 124) + (last ? 26 : 0); }

  resize() {
    const width = this.root.clientWidth;
    this.plots.forEach((plot, i) => {
      if (plot.width !== width) plot.setSize({ width, height: this.height(i === this.plots.length - 1) });
    });
  }

  build(panel, i) {
    const last = i === this.view.panels.length - 1;
    const { head, at } = headOf(panel);
    this.root.append(head);
    const series = [{}];
    const bands = [];
    for (const { line } of panel.traces) {
      const n = series.length;
      series.push({ ...LINES[line](), points: { show: false } }, { stroke: null, width: 0, points: { show: false } }, { stroke: null, width: 0, points: { show: false } });
      bands.push({ series: [n + 2, n + 1], fill: ink("band") });
    }
    if (!panel.traces.length) series.push({ points: { show: false } });
    const common = { stroke: ink("soft"), font: "12px system-ui, sans-serif", grid: { stroke: ink("rule"), width: 1 }, ticks: { show: false } };
    return new uPlot({
      width: this.root.clientWidth,
      height: this.height(last),
      padding: [8, 30, last ? 0 : 8, 0],
      legend: { show: false },
      cursor: { sync: { key: this.root.id }, drag: { x: false, y: false }, y: false, points: { show: false } },
      scales: {
        x: { range: () => [this.view.start / 1000, this.view.end / 1000] },
        y: { range: (_, low, high) => yRange(this.view.panels[i], low, high) },
      },
      axes: [
        last ? { ...common, size: 26, space: 70, incrs: [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600], ...timeLabels } : { ...common, show: true, size: 0, values: () => [] },
        { ...common, size: AXIS, space: 26, values: (_, splits) => splits.map(figure) },
      ],
      series,
      bands,
      hooks: {
        drawClear: [(plot) => shade(plot, this.view.shades)],
        draw: [(plot) => {
          const now = this.view.panels[i];
          now.paint?.(plot, { ink, hatch });
          if (Number.isFinite(now.limit)) ruleLimit(plot, now.limit, now.unit);
        }],
        setCursor: [(plot) => { at.textContent = this.reading(plot, this.view.panels[i]); }],
      },
    }, aligned(panel.traces.map((t) => t.trace)), this.root);
  }

  reading(plot, panel) {
    const { idx, left } = plot.cursor;
    if (idx === null || idx === undefined || left < 0 || !panel.traces.length) return "";
    const values = panel.traces.map((_, k) => plot.data[1 + 3 * k]?.[idx]);
    if (values.every((value) => value === null || value === undefined)) return "";
    const time = new Date(plot.data[0][idx] * 1000).toLocaleTimeString("en-GB");
    const said = values.map((value, k) => (values.length > 1 ? `${panel.traces[k].line} ` : "") + figure(value));
    return `${time}  ${said.reverse().join(", ")} ${panel.unit}`;
  }
}

const timeLabels = {
  values: (_, splits, __, ___, step) => splits.map((s) => new Date(s * 1000).toLocaleTimeString("en-GB", {
    hour: "2-digit", minute: "2-digit", ...(step < 60 && { second: "2-digit" }),
  })),
};

function yRange(panel, low, high) {
  const values = [low, high, panel.limit, panel.floor, panel.least].filter(Number.isFinite);
  if (!values.length) return [0, 1];
  const [bottom, top] = [Math.min(...values), Math.max(...values)];
  const room = (top - bottom) * 0.08 || Math.max(Math.abs(top) * 0.05, 1);
  return [bottom === panel.floor ? bottom : bottom - room, top + room];
}
