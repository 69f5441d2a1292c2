// The evidence of one alert: its channels around the chosen chance, on one time axis.
import { Stack } from "./plots.js";

const root = document.getElementById("evidence-plot");

async function draw() {
  const { start, end, channels, shades, limits } = JSON.parse(root.dataset.plot);
  const width = Math.max(60, Math.min(800, root.clientWidth));
  const query = new URLSearchParams({ channels: channels.join(","), start, end, width });
  const answer = await fetch(`${root.dataset.trace}?${query}`);
  if (!answer.ok) {
    root.textContent = "The readings of this stretch cannot be drawn.";
    return;
  }
  const { channels: traces } = await answer.json();
  const panels = traces.map((trace) => ({
    title: trace.unit ? `${trace.label}, ${trace.unit}` : trace.label,
    unit: trace.unit,
    limit: limits[trace.channel],
    floor: trace.unit === "%" && !trace.low.some((low) => low < 0) ? 0 : undefined,
    least: trace.unit === "%" && !trace.low.some((low) => low < 0) ? 10 : undefined,
    traces: [{ line: "moved", trace }],
  }));
  const stack = new Stack(root, "Channels around this chance on one time axis. The table below holds the same values.");
  stack.draw({ start: Date.parse(start), end: Date.parse(end), shades, panels });
  root.dataset.state = "drawn";
}

if (root && typeof uPlot !== "undefined") draw();
