// Pages are whole without this file. It keeps a list fresh while it is looked at, and makes the chart answer to the pointer.
"use strict";

const WAIT_FOR_PAGE_MS = 2500;
const LEAST_MS = 2000;
const SHARE = 10;

let stale = false;
let due = 0;

// A row that is being worked in stays as it is; the news are shown when the hand is off it.
function inHand(live) {
  return live.contains(document.activeElement) || live.querySelector(".act[open]") || !getSelection().isCollapsed;
}

async function refresh() {
  const live = document.getElementById("live");
  if (!live || document.hidden || inHand(live)) return false;
  const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
  if (!answer.ok) return false;
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  const next = fresh.getElementById("live");
  if (next && next.innerHTML !== live.innerHTML) {
    live.innerHTML = next.innerHTML;
    document.title = fresh.title;
  }
  return true;
}

// What takes long is asked for seldom: a tenth of the time at most goes into keeping the list fresh.
async function soon() {
  stale = true;
  if (due) return;
  const began = performance.now();
  try {
    if (await refresh()) stale = false;
  } catch {
    // Away: the next news or the next round tries again.
  }
  due = setTimeout(() => {
    due = 0;
    if (stale) soon();
  }, Math.max(LEAST_MS, SHARE * (performance.now() - began)));
}

function keepFresh() {
  const live = document.getElementById("live");
  if (!live) return;
  const every = 1000 * Number(live.dataset.refresh);
  let rounds = setInterval(soon, every);
  document.addEventListener("visibilitychange", soon);
  if (!live.dataset.events || !window.EventSource) return;
  // The page itself comes first; then one stream tells when there is something new, and the rounds become rare.
  setTimeout(() => {
    const stream = new EventSource(live.dataset.events);
    stream.addEventListener("calls", soon);
    stream.addEventListener("open", () => {
      clearInterval(rounds);
      rounds = setInterval(soon, 10 * every);
    });
    stream.addEventListener("error", () => {
      clearInterval(rounds);
      rounds = setInterval(soon, every);
    });
    addEventListener("pagehide", () => stream.close());
  }, WAIT_FOR_PAGE_MS);
}

function load(address) {
  return new Promise((resolve, reject) => {
    const script = Object.assign(document.createElement("script"), { src: address, onload: resolve, onerror: reject });
    document.head.append(script);
  });
}

async function draw(figure) {
  const address = figure.dataset.spec.replace("{width}", Math.max(240, Math.min(figure.clientWidth, 1200)));
  const [answer] = await Promise.all([fetch(address), window.drawChart ? null : load("/charts.js")]);
  if (!answer.ok) return;
  const place = Object.assign(document.createElement("div"), { className: "drawn" });
  const picture = figure.querySelector("picture");
  figure.insertBefore(place, picture);
  try {
    await window.drawChart(place, await answer.json(), {
      ast: true, actions: false, defaultStyle: false, renderer: "canvas", tooltip: { disableDefaultStyle: true },
    });
    picture.style.display = "none";
    place.setAttribute("role", "img");
    place.setAttribute("aria-label", picture.querySelector("img").alt);
  } catch {
    place.remove();
  }
}

// The picture is enough for a glance and costs little; the script is fetched only when somebody reaches for the chart.
function readyCharts() {
  for (const figure of document.querySelectorAll("figure.chart[data-spec]")) {
    figure.addEventListener("pointerenter", () => draw(figure).catch(() => {}), { once: true });
  }
}

function typing() {
  return /^(INPUT|TEXTAREA|SELECT)$/.test(document.activeElement.tagName);
}

// In the list: to the next unit and back with the arrows, and into a row's form with x.
function inList(event) {
  const rows = [...document.querySelectorAll("li.call")];
  const at = rows.findIndex((row) => row.contains(document.activeElement));
  if (at < 0 || typing()) return;
  if (event.key === "ArrowDown" || event.key === "ArrowUp") {
    const next = rows[at + (event.key === "ArrowDown" ? 1 : -1)];
    if (!next) return;
    event.preventDefault();
    next.querySelector(".c-unit a").focus();
  } else if (event.key === "x") {
    const act = rows[at].querySelector(".act");
    if (!act) return;
    event.preventDefault();
    act.open = !act.open;
    (act.open ? act.querySelector("button") : rows[at].querySelector(".c-unit a")).focus();
  }
}

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const find = document.getElementById("q");
  if (event.key === "/" && find && !typing()) {
    event.preventDefault();
    find.focus();
  } else {
    inList(event);
  }
});

keepFresh();
readyCharts();
