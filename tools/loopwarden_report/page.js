// Draws the plots of this page, keeps those over time on one range, and lets the keyboard do what the mouse can.
"use strict";
(function () {
  const PRINT_WIDE = 690, PRINT_PAIR = 335;  // pixels of the width of an A4 page between its margins
  const PRINT_HEIGHT = 0.82;
  const KINDS = { f4: Float32Array, f8: Float64Array, i1: Int8Array, u1: Uint8Array, i2: Int16Array, u2: Uint16Array,
    i4: Int32Array, u4: Uint32Array };
  const config = { responsive: true, displaylogo: false, scrollZoom: false,
    modeBarButtons: [["zoomIn2d", "zoomOut2d", "resetScale2d", "toImage"]] };
  const plots = Array.from(document.querySelectorAll(".plot"));
  const over_time = plots.filter((plot) => plot.dataset.follows === "yes");
  const range_text = document.querySelector(".bar .range");
  const errors = [];
  let whole = null, moving = false;
  window.plots_drawn = 0;
  window.plot_errors = errors;

  function decoded(values) {
    if (!values || values.bdata === undefined) return values;
    const bytes = Uint8Array.from(atob(values.bdata), (letter) => letter.charCodeAt(0));
    return new KINDS[values.dtype](bytes.buffer);
  }

  function draw(plot) {
    const figure = JSON.parse(document.getElementById(plot.id + "-data").textContent);
    for (const trace of figure.data) for (const name of ["x", "y", "base"]) trace[name] = decoded(trace[name]);
    return Plotly.newPlot(plot, figure.data, figure.layout, config).then(() => {
      // The plot is the one stop of the Tab key; what is in it is reached by the keys listed on the page.
      for (const svg of plot.querySelectorAll("svg")) svg.setAttribute("aria-hidden", "true");
      window.plots_drawn += 1;
    });
  }

  function failed(plot, error) {
    errors.push(plot.id + ": " + error);
    plot.classList.add("failed");
    plot.textContent = "This plot could not be drawn (" + error + "). Its figures stand in the text below.";
  }

  function range_of(plot) {
    return plot.layout.xaxis.range.map(Number);
  }

  function show(begin, end) {
    if (!whole) return;
    const least = Math.max((whole[1] - whole[0]) * 1e-5, 0.05);
    let span = Math.min(Math.max(end - begin, least), whole[1] - whole[0]);
    begin = Math.min(Math.max(begin, whole[0]), whole[1] - span);
    end = begin + span;
    moving = true;
    Promise.all(over_time.map((plot) => Plotly.relayout(plot, { "xaxis.range": [begin, end] }))).finally(() => {
      moving = false;
    });
    tell_range(begin, end);
  }

  function tell_range(begin, end) {
    range_text.textContent = "shown: " + begin.toFixed(2) + " s to " + end.toFixed(2) + " s";
  }

  function follow(plot) {
    plot.on("plotly_relayout", (change) => {
      if (moving) return;
      if (change["xaxis.autorange"]) show(whole[0], whole[1]);
      else if (change["xaxis.range[0]"] !== undefined) show(+change["xaxis.range[0]"], +change["xaxis.range[1]"]);
    });
  }

  const acts = {
    whole: (b, e, all) => all,
    in: (b, e) => [b + (e - b) / 4, e - (e - b) / 4],
    out: (b, e) => [b - (e - b) / 2, e + (e - b) / 2],
    earlier: (b, e) => [b - (e - b) / 4, e - (e - b) / 4],
    later: (b, e) => [b + (e - b) / 4, e + (e - b) / 4],
  };

  function act(name) {
    if (over_time.length) show(...acts[name](...range_of(over_time[0]), whole));
  }

  // A plot with an axis of its own moves alone.
  function act_alone(plot, name) {
    Plotly.relayout(plot, { "xaxis.range": acts[name](...range_of(plot), plot.whole) });
  }

  // The reading line of a plot: where it stands, and what the plot says there.
  function plain(text) {
    const holder = document.createElement("textarea");
    holder.innerHTML = String(text === undefined ? "" : text).replace(/<br>/g, " ").replace(/<[^>]*>/g, "");
    return holder.value.trim();
  }

  function number(value) {
    return Math.abs(value) >= 1000 ? Math.round(value).toLocaleString("en") : String(+value.toPrecision(4));
  }

  function at(trace, t, reach) {
    if (trace.type === "bar") {
      for (let k = 0; k < trace.x.length; k += 1)
        if (trace.base[k] <= t && t <= trace.base[k] + trace.x[k])
          return plain(trace.y[k]) + (trace.y[k] === trace.name ? "" : " " + plain(trace.name));
      return "";
    }
    if (trace.yaxis === "y2" || String(trace.mode).includes("text")) {
      const near = [];
      trace.x.forEach((x, k) => { if (Math.abs(x - t) <= reach) near.push(plain(trace.hovertext[k])); });
      return near.join("; ");
    }
    let best = -1;
    for (let k = 0; k < trace.x.length; k += 1)
      if (best < 0 || Math.abs(trace.x[k] - t) < Math.abs(trace.x[best] - t)) best = k;
    const value = best < 0 ? NaN : trace.y[best];
    return plain(trace.name) + " " + (Number.isFinite(value) ? number(value) : "no reading");
  }

  function read(plot, t) {
    const [begin, end] = range_of(plot);
    const said = plot.data.map((trace) => at(trace, t, (end - begin) / 150)).filter((text) => text);
    const unit = plot.layout.yaxis.title && plot.layout.yaxis.title.text ? " (" + plot.layout.yaxis.title.text + ")" : "";
    const axis = plot.dataset.axis || "s";
    plot.nextElementSibling.textContent = "At " + number(t) + " " + axis + ": " + said.join("; ") + unit;
    const line = { type: "line", name: "reading", x0: t, x1: t, yref: "paper", y0: 0, y1: 1,
      line: { color: "#000", width: 1.5, dash: "dot" } };
    const others = (plot.layout.shapes || []).filter((shape) => shape.name !== "reading");
    Plotly.relayout(plot, { shapes: others.concat([line]) });
  }

  function key(plot, event) {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const [begin, end] = range_of(plot);
    const step = ((end - begin) / 100) * (event.shiftKey ? 10 : 1);
    const inside = plot.reading >= begin && plot.reading <= end;
    const here = inside ? plot.reading : (begin + end) / 2;
    const follows = plot.dataset.follows === "yes";
    const moves = { ArrowLeft: here - step, ArrowRight: here + step, Home: begin, End: end };
    const zooms = { "+": "in", "=": "in", "-": "out", "0": "whole", PageUp: "earlier", PageDown: "later" };
    if (event.key in moves) {
      plot.reading = Math.min(Math.max(inside ? moves[event.key] : here, begin), end);
      read(plot, plot.reading);
    } else if (event.key in zooms && follows) act(zooms[event.key]);
    else if (event.key in zooms) act_alone(plot, zooms[event.key]);
    else return;
    event.preventDefault();
  }

  function for_print(plot) {
    const width = plot.closest(".pair") && !plot.closest("figure:only-child") ? PRINT_PAIR : PRINT_WIDE;
    const strips = plot.data.some((trace) => trace.type === "bar");  // whose rows need their height
    plot.screen_height = plot.screen_height || plot.layout.height;
    const height = strips ? plot.screen_height : Math.round(plot.screen_height * PRINT_HEIGHT);
    Plotly.relayout(plot, { width: width, height: height, autosize: false });
  }

  function for_screen(plot) {
    Plotly.relayout(plot, { width: null, height: plot.screen_height, autosize: true });
  }

  function begin() {
    if (over_time.length) {
      whole = range_of(over_time[0]);
      tell_range(whole[0], whole[1]);
    }
    over_time.forEach(follow);
    for (const plot of plots) plot.whole = range_of(plot);
    for (const plot of plots) plot.addEventListener("keydown", (event) => key(plot, event));
    for (const button of document.querySelectorAll("button[data-act]"))
      button.addEventListener("click", () => act(button.dataset.act));
    for (const button of document.querySelectorAll("button[data-at]"))
      button.addEventListener("click", () => {
        const t = +button.dataset.at, half = Math.min(5, (whole[1] - whole[0]) / 2);
        show(t - half, t + half);
        const plot = over_time[0];
        plot.scrollIntoView({ block: "center" });
        plot.focus({ preventScroll: true });
        plot.reading = t;
        read(plot, t);
      });
    window.addEventListener("beforeprint", () => plots.forEach(for_print));
    window.addEventListener("afterprint", () => plots.forEach(for_screen));
    if (window.matchMedia("print").matches) plots.forEach(for_print);
    document.documentElement.dataset.plots = "drawn " + window.plots_drawn + " of " + plots.length;
    document.documentElement.dataset.errors = errors.join("; ");
  }

  window.addEventListener("error", (event) => errors.push(event.message));
  Promise.all(plots.map((plot) => {
    try { return draw(plot).catch((error) => failed(plot, error)); } catch (error) { return failed(plot, error); }
  })).then(begin);
})();
