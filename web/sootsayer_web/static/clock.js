// The recorder's clock beside this browser's: says when they differ, and sets it when asked to.
import { renew, sayMoment } from "./page.js";

const LOOK_MS = 300_000; // two clocks do not drift apart sooner
const TRIES = 3; // the first answer after a while of rest is often a slow one

const told = document.getElementById("clock-told");
let busy = false;

/** "4 h 37 min", "42 s", "400 days". */
function sayLength(ms) {
  const s = Math.round(Math.abs(ms) / 1000);
  const part = (value, unit) => (value ? ` ${value} ${unit}` : "");
  if (s < 60) return `${s} s`;
  if (s < 3600) return `${Math.floor(s / 60)} min${part(s % 60, "s")}`;
  if (s < 172_800) return `${Math.floor(s / 3600)} h${part(Math.floor((s % 3600) / 60), "min")}`;
  return `${Math.floor(s / 86_400)} days`;
}

/** What the recorder's clock says, how far this one is ahead of it, and how long asking took. */
async function look(url) {
  const [start, wall] = [performance.now(), Date.now()];
  const answer = await fetch(url);
  if (!answer.ok) throw new Error((await answer.json()).error);
  const clock = await answer.json();
  const tripMs = performance.now() - start;
  return { clock, tripMs, aheadMs: wall + tripMs / 2 - Date.parse(clock.now) };
}

/** The look that took least, of a few. */
async function lookWell(url) {
  let best = null;
  for (let i = 0; i < TRIES; i += 1) {
    const seen = await look(url);
    if (!best || seen.tripMs < best.tripMs) best = seen;
    if (best.tripMs < 500) break;
  }
  return best;
}

function say(text, done = false) {
  told.textContent = text;
  told.classList.toggle("done", done);
  told.hidden = false;
}

/** Both clocks, with their dates only where these differ. */
function sayBoth(recorder) {
  const here = new Date();
  return `The recorder says ${sayMoment(recorder)}, this phone ${sayMoment(here)}.`;
}

function show(box, { clock, tripMs, aheadMs }) {
  const sure = Math.abs(aheadMs) - tripMs / 2;
  const apart = sure > clock.apart_s * 1000;
  const trusted = clock.trusted;
  const side = aheadMs > 0 ? "behind" : "ahead of";
  if (trusted && apart) {
    document.getElementById("clock-says").textContent = `The recorder's clock is ${sayLength(aheadMs)} ${side} this phone's.`;
    document.getElementById("clock-why").textContent = clock.may_set
      ? "A phone has set it before. One of the two is wrong."
      : "It was set by a time server, so look at the phone's clock first.";
  }
  const both = document.getElementById("clock-apart");
  both.textContent = apart
    ? `${sayBoth(new Date(clock.now))}${trusted ? "" : ` That is ${sayLength(aheadMs)} apart.`}`
    : "It agrees with this phone's clock.";
  both.hidden = trusted && !apart;
  box.hidden = trusted && !apart;
  const button = document.getElementById("clock-set");
  if (button) {
    button.hidden = !clock.may_set;
    button.disabled = busy;
  }
}

async function check() {
  const box = document.getElementById("clock");
  if (!box || document.hidden) return;
  try {
    show(box, await lookWell(box.dataset.clock));
    box.dataset.state = "compared";
  } catch { /* the live stream says that the dashboard does not answer */ }
}

async function set() {
  const box = document.getElementById("clock");
  if (busy || !box) return;
  busy = true;
  document.getElementById("clock-set").disabled = true;
  try {
    await ask(box);
  } catch (trouble) {
    say(`Nothing was changed: ${trouble.message}`);
  } finally {
    busy = false;
    await check();
  }
}

async function ask(box) {
  const before = await lookWell(box.dataset.clock);
  const mostMs = before.clock.round_trip_s * 1000;
  if (before.tripMs > mostMs) {
    throw new Error(`the recorder takes ${sayLength(before.tripMs)} to answer, too long to set a clock by. Try nearer to it.`);
  }
  const start = performance.now();
  const answer = await fetch(box.dataset.set, {
    method: "POST",
    headers: { "X-Sootsayer-Token": box.dataset.token },
    body: new URLSearchParams({ wall_ms: Math.round(Date.now() + before.tripMs / 2) }),
  });
  const tripMs = performance.now() - start;
  const came = await answer.json();
  if (!answer.ok) throw new Error(came.error);
  if (!came.kept) {
    say("Nothing was changed: a time server has set the recorder's clock, and knows better than a phone.");
  } else {
    const side = came.ahead_s > 0 ? "behind" : "ahead";
    const by = Math.abs(came.ahead_s) < 1 ? "It was right already"
      : `It was ${sayLength(came.ahead_s * 1000)} ${side}`;
    const within = tripMs > mostMs
      ? ` The answer took ${sayLength(tripMs)}, so it may be off by as much; set it once more.` : "";
    say(`The recorder's clock is set by this phone. ${by}; the times of all that it recorded since it started can be trusted now.${within}`, true);
  }
  renew();
  told.focus();
}

document.addEventListener("click", (event) => {
  if (event.target.closest("#clock-set")) set();
});
document.addEventListener("placed", (event) => {
  if (event.target.dataset.part === "clock") check();
});
document.addEventListener("visibilitychange", check);
setInterval(check, LOOK_MS);
check();
