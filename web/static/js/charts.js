// Draws a site's charts when they come into view, in the page's own colours.
(() => {
  "use strict";
  const script = document.currentScript;
  const charts = [...document.querySelectorAll(".chart")];
  const spans = document.querySelector(".spans");
  const CONFIG = {
    plotlyServerURL: "",
    displaylogo: false,
    responsive: true,
    modeBarButtonsToRemove: ["sendChartToCloud", "select2d", "lasso2d", "autoScale2d"],
    displayModeBar: "hover",
  };
  let library = null;

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

  function dress(figure) {
    const ink = colour("--soft"), grid = colour("--chart-grid"), main = colour("--chart-1");
    figure.layout.paper_bgcolor = "rgba(0,0,0,0)";
    figure.layout.plot_bgcolor = "rgba(0,0,0,0)";
    figure.layout.font = { color: ink, family: getComputedStyle(document.body).fontFamily, size: 12 };
    figure.layout.hoverlabel = { bgcolor: colour("--raised"), font: { color: colour("--ink") } };
    for (const axis of ["xaxis", "yaxis"]) {
      Object.assign(figure.layout[axis], { gridcolor: grid, linecolor: grid, zerolinecolor: grid });
    }
    for (const trace of figure.data) {
      const edge = trace.meta === "edge";
      trace.line = { color: edge ? grid : main, width: edge ? 1 : 1.5 };
      if (trace.name === "lowest") {
        trace.fill = "tonexty";
        trace.fillcolor = grid;
      }
    }
    for (const shape of figure.layout.shapes ?? []) shape.line.color = colour("--watch");
    for (const note of figure.layout.annotations ?? []) note.font = { ...note.font, color: colour("--watch") };
    return figure;
  }

  function chosen() {
    return spans.querySelector("input:checked").value;
  }

  function say(chart, text) {
    const line = document.createElement("p");
    line.textContent = text;
    chart.replaceChildren(line);
  }

  async function draw(chart) {
    const span = chosen();
    if (chart.dataset.shown === span) return;
    chart.dataset.shown = span;
    try {
      const answer = await fetch(`${chart.dataset.chart}?span=${encodeURIComponent(span)}`);
      if (!answer.ok) throw new Error("the server did not answer");
      const figure = dress(await answer.json());
      const library = await plotly();
      if (chart.dataset.shown !== span) return;
      if (!figure.data.some((trace) => trace.y.some((value) => value !== null))) {
        library.purge(chart);
        say(chart, "No reading in this span yet.");
        return;
      }
      if (chart.firstElementChild?.tagName === "P") chart.replaceChildren();
      await library.react(chart, figure.data, figure.layout, CONFIG);
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
  spans.hidden = false;
  spans.addEventListener("change", () => { for (const chart of inView) draw(chart); });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
  setInterval(() => { if (!document.hidden && chosen() === "24 h") again(); }, 60000);
  for (const chart of charts) watcher.observe(chart);
})();
