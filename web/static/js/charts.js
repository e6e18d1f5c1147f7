// Draws charts of a site or of a finding when they come into view, in the page's own colours. All
// charts of a page share one span, one zoom and one cursor.
(() => {
  "use strict";
  const script = document.currentScript;
  const charts = [...document.querySelectorAll(".chart")];
  const spans = document.querySelector(".spans");
  const whole = document.querySelector(".whole");
  const CONFIG = {
    plotlyServerURL: "",
    displaylogo: false,
    responsive: true,
    displayModeBar: false,
    doubleClick: false,
  };
  const COLOURS = { main: "--chart-1", second: "--chart-2", third: "--chart-3", fourth: "--chart-4" };
  let library = null;
  let zoom = null; // [from, to] as the axis writes them; null: the whole span

  function plotly() {
    library ??= new Promise((resolve, reject) => {
      const element = document.createElement("script");
      element.src = script.dataset.plotly;
      element.onload = () => resolve(window.Plotly);
      element.onerror = () => reject(new Error("the chart library could not be loaded"));
      document.head.append(element);
    });
    return library;
  }

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

  // A figure may bring dashes and symbols of its own; colours are the page's.
  function dressTrace(trace, tone, grid) {
    if (trace.type === "bar") {
      trace.marker = { ...trace.marker, color: tone };
      return;
    }
    trace.line = { ...trace.line, color: tone, width: trace.meta === "edge" ? 1 : 1.5 };
    if (trace.meta === "second") trace.line.dash ??= "dot";
    if (trace.mode.includes("markers")) trace.marker = { size: 4, ...trace.marker, color: tone };
    if (trace.name === "lowest") {
      trace.fill = "tonexty";
      trace.fillcolor = grid;
    }
  }

  function dress(figure) {
    const ink = colour("--soft"), grid = colour("--chart-grid");
    figure.layout.paper_bgcolor = "rgba(0,0,0,0)";
    figure.layout.plot_bgcolor = "rgba(0,0,0,0)";
    figure.layout.font = { color: ink, family: getComputedStyle(document.body).fontFamily, size: 12 };
    figure.layout.hoverlabel = { bgcolor: colour("--raised"), font: { color: colour("--ink") } };
    for (const axis of Object.keys(figure.layout)) {
      if (!/^[xy]axis\d*$/.test(axis)) continue;
      Object.assign(figure.layout[axis], { gridcolor: grid, linecolor: grid, zerolinecolor: grid });
    }
    for (const trace of figure.data) {
      dressTrace(trace, trace.meta === "edge" ? grid : colour(COLOURS[trace.meta]), grid);
    }
    for (const shape of figure.layout.shapes ?? []) {
      if (shape.name === "window") shape.fillcolor = grid;
      else shape.line.color = colour(shape.name === "mark" ? "--ink" : "--watch");
    }
    for (const note of figure.layout.annotations ?? []) {
      const isPlain = note.name === "mark" || note.name === "title";
      note.font = { ...note.font, color: colour(isPlain ? "--ink" : "--watch") };
      if (!isPlain) note.bgcolor = colour("--ground");
    }
    if (zoom) figure.layout.xaxis.range = [...zoom];
    return figure;
  }

  function chosen() {
    return spans?.querySelector("input:checked").value ?? "whole";
  }

  function say(chart, text) {
    const line = document.createElement("p");
    line.textContent = text;
    chart.replaceChildren(line);
  }

  // --- one zoom

  function zoomTo(range) {
    zoom = range;
    whole.hidden = zoom === null;
    for (const chart of charts) if (chart.shown) applyZoom(chart);
  }

  function applyZoom(chart) {
    const range = zoom ?? chart.wholeSpan;
    const now = chart.layout.xaxis.range;
    if (String(now[0]) === String(range[0]) && String(now[1]) === String(range[1])) return;
    window.Plotly.relayout(chart, { "xaxis.range": [...range] });
  }

  function relaid(event) {
    const from = event["xaxis.range[0]"], to = event["xaxis.range[1]"];
    if (from && to) zoomTo([from, to]);
  }

  // --- one cursor

  function cursorOf(chart) {
    if (!chart.cursor) {
      chart.cursor = document.createElement("div");
      chart.cursor.className = "cursor";
      chart.append(chart.cursor);
    }
    return chart.cursor;
  }

  // The axis shows the wall clock; read as if it were UTC, only differences matter.
  const instant = (words) => Date.parse(`${String(words).replace(" ", "T")}Z`);

  function nearest(times, at) {
    let low = 0, high = times.length - 1;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (times[middle] < at) low = middle + 1;
      else high = middle;
    }
    return low > 0 && at - times[low - 1] < times[low] - at ? low - 1 : low;
  }

  function point(origin, event) {
    const at = instant(event.points[0].x);
    for (const chart of charts) {
      if (chart === origin || !chart.shown) continue;
      const axis = chart._fullLayout.xaxis;
      const place = axis.d2p(event.points[0].x) + axis._offset;
      const cursor = cursorOf(chart);
      const inside = place >= axis._offset && place <= axis._offset + axis._length;
      cursor.hidden = !inside;
      if (!inside) continue;
      const value = chart.values[nearest(chart.times, at)];
      cursor.style.left = `${place}px`;
      cursor.classList.toggle("left", place > axis._offset + axis._length * 0.7);
      cursor.textContent = value === null || value === undefined ? "no value" : String(value);
    }
  }

  function leave() {
    for (const chart of charts) if (chart.cursor) chart.cursor.hidden = true;
  }

  // --- drawing

  function keep(chart, figure, span) {
    const main = figure.data.find((trace) => trace.meta === "main") ?? figure.data[0];
    chart.times = main.x.map(instant);
    chart.values = main.y;
    chart.wholeSpan = span;
    if (!chart.shown) {
      chart.on("plotly_hover", (event) => point(chart, event));
      chart.on("plotly_unhover", leave);
      chart.on("plotly_relayout", relaid);
      chart.on("plotly_doubleclick", () => zoomTo(null));
    }
    chart.shown = true;
  }

  function addressOf(chart, span) {
    const address = chart.dataset.chart;
    if (!spans) return address; // it has one span, and knows it
    return `${address}${address.includes("?") ? "&" : "?"}span=${encodeURIComponent(span)}`;
  }

  async function draw(chart) {
    const span = chosen();
    if (chart.dataset.shown === span) return;
    chart.dataset.shown = span;
    try {
      const answer = await fetch(addressOf(chart, span));
      if (!answer.ok) throw new Error("the server did not answer");
      const figure = await answer.json();
      const wholeSpan = [...figure.layout.xaxis.range];
      if (chart.clientWidth < 480) figure.layout.xaxis.nticks = 3; // turned words cannot be read
      dress(figure);
      const library = await plotly();
      if (chart.dataset.shown !== span) return;
      if (!figure.data.some((trace) => trace.y.some((value) => value !== null))) {
        library.purge(chart);
        chart.shown = false;
        say(chart, "No reading in this span yet.");
        return;
      }
      if (chart.firstElementChild?.tagName === "P") chart.replaceChildren();
      await library.react(chart, figure.data, figure.layout, CONFIG);
      keep(chart, figure, wholeSpan);
    } catch (error) {
      delete chart.dataset.shown;
      say(chart, `This chart cannot be drawn now: ${error.message}.`);
    }
  }

  const inView = new Set();
  const watcher = new IntersectionObserver((entries) => {
    for (const entry of entries) {
      if (entry.isIntersecting) {
        inView.add(entry.target);
        draw(entry.target);
      } else inView.delete(entry.target);
    }
  }, { rootMargin: "200px" });

  function again() {
    for (const chart of charts) delete chart.dataset.shown;
    for (const chart of inView) draw(chart);
  }

  document.querySelector(".charts-off")?.remove();
  document.body.classList.add("charted");
  if (spans) spans.hidden = false;
  spans?.addEventListener("change", () => {
    zoom = null;
    whole.hidden = true;
    for (const chart of inView) draw(chart);
  });
  whole?.addEventListener("click", () => zoomTo(null));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
  setInterval(() => {
    const reading = zoom !== null || charts.some((chart) => chart.matches(":hover"));
    if (!document.hidden && !reading && chosen() === "24 h") again();
  }, 60000);
  for (const chart of charts) watcher.observe(chart);
})();
