// On every page: times in the reader's own zone, the word about driving, and renewal without reload.

const DAY_MS = 86_400_000;
const LISTENED = ["now", "alerts", "health", "readings", "trouble"];
const NEWS = new Set(["sentence", "chain", "causes", "newest", "alert_list"]); // what lights up when it changes
const RENEW_MS = 250; // several events of one commit make one renewal
const HEALTH_MS = 10_000; // health changes with every commit; figures need not
const AGAIN_MS = 30_000; // after a refused stream
const LOST_MS = 4000; // longer than the browser takes to ask anew after an ordinary end

const clock = (moment, seconds) => moment.toLocaleTimeString("en-GB", {
  hour: "2-digit", minute: "2-digit", ...(seconds && { second: "2-digit" }),
});

/** "today 07:49", "yesterday 18:02", "24 Nov 07:49", in the zone of this browser. */
export function sayMoment(moment, seconds = false) {
  const midnight = new Date().setHours(0, 0, 0, 0);
  const days = Math.round((midnight - new Date(moment).setHours(0, 0, 0, 0)) / DAY_MS);
  if (seconds && days === 0) return clock(moment, true);
  const year = moment.getFullYear() === new Date().getFullYear() ? undefined : "numeric";
  const date = moment.toLocaleDateString("en-GB", { day: "numeric", month: "short", year });
  const day = days === 0 ? "today" : days === 1 ? "yesterday" : date;
  return `${day} ${clock(moment, seconds)}`;
}

export function localise(root) {
  for (const time of root.querySelectorAll("time[datetime]")) {
    const moment = new Date(time.dateTime);
    time.textContent = sayMoment(moment, time.dataset.show === "clock");
    time.title = `${moment.toISOString().slice(0, 19).replace("T", " ")} UTC`;
  }
}

// ------------------------------------------------ the word about driving

function warnDriver() {
  const banner = document.getElementById("driving");
  let read = false;
  try { read = localStorage.getItem("driving-read") === "yes"; } catch { /* private window */ }
  banner.hidden = read;
  document.getElementById("driving-read").addEventListener("click", () => {
    banner.hidden = true;
    try { localStorage.setItem("driving-read", "yes"); } catch { /* asked again next time */ }
    document.getElementById("main").focus();
  });
}

// ------------------------------------------------ renewal

const handlers = new Map(LISTENED.map((name) => [name, []]));
/** Call `handler(answer)` at every event of this name. */
export const on = (name, handler) => handlers.get(name).push(handler);

const main = document.querySelector("main[data-parts]");
let waiting = 0;
let fetching = false;

export function renew() {
  if (waiting || !main) return;
  waiting = setTimeout(async () => {
    waiting = 0;
    if (fetching) return renew();
    fetching = true;
    try {
      const answer = await fetch(main.dataset.parts + location.search);
      if (answer.ok) place(await answer.json());
    } catch { /* the stream says that the connection is lost */ }
    fetching = false;
  }, RENEW_MS);
}

function place(parts) {
  for (const [name, { mark, html }] of Object.entries(parts)) {
    const part = document.querySelector(`[data-part="${name}"]`);
    if (!part || part.dataset.mark === mark) continue;
    const open = [...part.querySelectorAll("details")].map((details) => details.open);
    const focused = part.contains(document.activeElement) && document.activeElement.getAttribute("href");
    part.innerHTML = html;
    part.dataset.mark = mark;
    localise(part);
    part.dispatchEvent(new CustomEvent("placed", { bubbles: true }));
    part.querySelectorAll("details").forEach((details, i) => { details.open = open[i] ?? details.open; });
    if (focused) part.querySelector(`[href="${CSS.escape(focused)}"]`)?.focus();
    if (NEWS.has(name)) flash(part);
  }
}

function flash(part) {
  part.classList.remove("news");
  void part.offsetWidth; // lets the animation start again
  part.classList.add("news");
}

const renewedBy = new Set((main?.dataset.renewedBy ?? "").split(" "));
let seen = main?.dataset.seen;
let healthAt = performance.now();

/** Whether an event tells what this page does not show yet. */
function isNews(name, mark) {
  if (name === "now") {
    const isNew = mark !== seen;
    seen = mark;
    if (!isNew) return false;
  }
  if (name === "health") {
    if (performance.now() - healthAt < HEALTH_MS) return false;
    healthAt = performance.now();
  }
  return renewedBy.has(name);
}

function listen() {
  const source = new EventSource(main.dataset.live);
  const lost = document.getElementById("lost");
  let lostSince = null;
  for (const name of LISTENED) {
    source.addEventListener(name, (event) => {
      const answer = JSON.parse(event.data);
      handlers.get(name).forEach((handler) => handler(answer));
      if (isNews(name, event.lastEventId)) renew();
    });
  }
  source.onopen = () => {
    lostSince = null;
    lost.hidden = true;
    main.dataset.state = "live";
  };
  source.onerror = () => {
    lostSince ??= new Date();
    main.dataset.state = "lost";
    // The browser asks anew by itself after an ordinary end of the stream; that is no news.
    setTimeout(() => {
      if (!lostSince) return;
      lost.textContent = `Not live since ${clock(lostSince)}: the dashboard does not answer. Trying again.`;
      lost.hidden = false;
    }, LOST_MS);
    if (source.readyState === EventSource.CLOSED) setTimeout(listen, AGAIN_MS);
  };
  addEventListener("pagehide", () => source.close(), { once: true });
}

function showReading({ last_reading: last }) {
  const time = document.querySelector("[data-last-reading] time");
  if (!time || !last) return;
  time.dateTime = last;
  time.textContent = sayMoment(new Date(last), true);
}

localise(document);
document.getElementById("zone").textContent = Intl.DateTimeFormat().resolvedOptions().timeZone;
warnDriver();
if (main) {
  on("readings", showReading);
  listen();
  addEventListener("pageshow", (event) => { if (event.persisted) { listen(); renew(); } });
}
