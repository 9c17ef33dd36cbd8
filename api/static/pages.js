// Pages are whole without this file. It keeps a list fresh while it is looked at, and makes the chart answer to the pointer.
"use strict";

async function refresh() {
  const live = document.getElementById("live");
  if (!live || document.hidden || live.contains(document.activeElement) || !getSelection().isCollapsed) return;
  const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
  if (!answer.ok) return;
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  const next = fresh.getElementById("live");
  if (next && next.innerHTML !== live.innerHTML) {
    live.innerHTML = next.innerHTML;
    document.title = fresh.title;
  }
}

function keepFresh() {
  const live = document.getElementById("live");
  if (!live) return;
  const every = 1000 * Number(live.dataset.refresh);
  setInterval(() => refresh().catch(() => {}), every);
  document.addEventListener("visibilitychange", () => refresh().catch(() => {}));
}

function load(address) {
  return new Promise((resolve, reject) => {
    const script = Object.assign(document.createElement("script"), { src: address, onload: resolve, onerror: reject });
    document.head.append(script);
  });
}

async function draw(figure) {
  const [answer] = await Promise.all([fetch(figure.dataset.spec), window.drawChart ? null : load("/charts.js")]);
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

document.addEventListener("keydown", (event) => {
  const find = document.getElementById("q");
  if (event.key === "/" && find && !/^(INPUT|TEXTAREA|SELECT)$/.test(document.activeElement.tagName)) {
    event.preventDefault();
    find.focus();
  }
});

keepFresh();
readyCharts();
