"use strict";
// Curves over frequency, drawn by the plotting library with the page's own colours.
const charts = (() => {
  const bright = window.matchMedia("(prefers-color-scheme: light)");
  const colour = name => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const options = { displayModeBar: false, responsive: true };
  const ticks = [20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000];
  const names = ticks.map(each => each >= 1000 ? each / 1000 + "k" : String(each));
  const dashes = ["solid", "dash"];

  function layout(title, up, more) {
    const axis = { gridcolor: colour("--line"), zerolinecolor: colour("--line"), linecolor: colour("--quiet") };
    return Object.assign({
      title: { text: title, font: { size: 14 }, x: 0.01, xanchor: "left", y: 0.97 },
      margin: { l: 52, r: 12, t: 30, b: 40 },
      paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      font: { color: colour("--ink"), size: 12, family: "system-ui, sans-serif" },
      xaxis: Object.assign({ type: "log", title: { text: "frequency, Hz", standoff: 4 }, tickvals: ticks, ticktext: names }, axis),
      yaxis: Object.assign({ title: { text: up, standoff: 4 } }, axis),
      showlegend: false,
    }, more);
  }

  // Where a value is not valid nothing is drawn.
  const where = (values, valid) => values.map((value, index) => valid[index] ? value : null);

  function line(x, y, name, of, dash, width) {
    return { x, y, name, mode: "lines", line: { color: colour(of), dash: dash || "solid", width: width || 2.5 }, connectgaps: false };
  }

  function band(x, low, high, name) {
    return [
      { x, y: low, mode: "lines", line: { width: 0 }, hoverinfo: "skip" },
      { x, y: high, mode: "lines", line: { width: 0 }, fill: "tonexty", fillcolor: colour("--band"), name, hoverinfo: "skip" },
    ];
  }

  function index(place, sound, kept) {
    const { curves, wanted } = sound, traces = [];
    if (wanted) {
      traces.push(...band(wanted.frequency, wanted.low, wanted.high, "tolerance"), line(wanted.frequency, wanted.index, "wanted", "--accent", "dash", 1.5));
    }
    if (kept) { traces.push(line(kept.curves.frequency, where(kept.curves.index, kept.curves.valid), "compared with", "--kept", "dot", 2)); }
    traces.push(line(curves.frequency, where(curves.index, curves.valid), "index", "--found"));
    return Plotly.react(place, traces, layout("Directivity index", "dB"), options);
  }

  function beam(place, sound, kept) {
    const { curves, wanted } = sound, traces = [];
    Object.entries(wanted ? wanted.beamwidth : {}).forEach(([plane, values], at) => {
      traces.push(line(wanted.frequency, values, "wanted " + plane, "--accent", at ? "longdashdot" : "dash", 1.5));
    });
    Object.entries(kept ? kept.curves.beamwidth : {}).forEach(([plane, values]) => {
      traces.push(line(kept.curves.frequency, where(values, kept.curves.valid), "compared with " + plane, "--kept", "dot", 2));
    });
    Object.entries(curves.beamwidth).forEach(([plane, values], at) => {
      traces.push(line(curves.frequency, where(values, curves.valid), plane || "beamwidth", "--found", dashes[at]));
    });
    const planes = Object.keys(curves.beamwidth).filter(Boolean);
    const how = planes.length ? " (" + planes[0] + " solid, " + planes[1] + " dashed)" : "";
    return Plotly.react(place, traces, layout("Beamwidth at −6 dB" + how, "degrees", { yaxis: { title: { text: "degrees", standoff: 4 }, rangemode: "tozero", gridcolor: colour("--line") } }), options);
  }

  // Lightness rises all the way, so that the map reads the same in grey.
  const shades = [[0, "#16202c"], [0.25, "#1f3f5b"], [0.5, "#2f6f86"], [0.7, "#6fa196"], [0.85, "#c3c08f"], [0.93, "#f0dcae"], [1, "#fffaf0"]];

  function map(place, sound, chosen) {
    const { curves } = sound, planes = Object.keys(curves.map.level);
    const plane = planes.includes(chosen) ? chosen : planes[0];
    const trace = {
      type: "heatmap", x: curves.frequency, y: curves.map.angle, z: curves.map.level[plane], zmin: -30, zmax: 3, colorscale: shades, zsmooth: false,
      colorbar: { thickness: 10, title: { text: "dB", side: "top" }, tickfont: { color: colour("--ink") } },
      hovertemplate: "%{x:.0f} Hz, %{y:.0f}°: %{z:.1f} dB<extra></extra>",
    };
    return Plotly.react(place, [trace], layout("Level re on axis" + (plane ? ", " + plane : ""), "degrees off axis"), options);
  }

  function impedance(place, sound) {
    const { curves } = sound, found = curves.impedance;
    if (!found) { place.hidden = true; return Promise.resolve(); }
    place.hidden = false;
    const traces = [
      line(curves.frequency, where(found.real, curves.valid), "resistance", "--found"),
      line(curves.frequency, where(found.imaginary, curves.valid), "reactance", "--kept", "dash", 2),
    ];
    return Plotly.react(place, traces, layout("Throat impedance re ρc (reactance dashed)", "ratio"), options);
  }

  const marks = ["circle", "square", "diamond", "cross", "triangle-up", "x"];
  const hues = ["#1b5e8c", "#c86414", "#2f8a70", "#7b3f78", "#6aaed6", "#8a8328"];

  function dots(number, family, x, y) {
    return [...new Set(family)].map((name, at) => {
      const own = family.map((each, index) => each === name ? index : -1).filter(index => index >= 0);
      return {
        x: own.map(index => x[index]), y: own.map(index => y[index]), customdata: own.map(index => number[index]), name, mode: "markers", type: "scatter",
        marker: { symbol: marks[at % marks.length], size: 6, color: hues[at % hues.length], opacity: 0.75 },
        hovertemplate: "candidate %{customdata}: %{x:.5g}, %{y:.4g}<extra>" + name + "</extra>",
      };
    });
  }

  function legend(title, x, up) {
    const linear = { type: "linear", title: { text: x, standoff: 4 }, gridcolor: colour("--line") };
    return layout(title, up, { xaxis: linear, showlegend: true, legend: { orientation: "h", y: -0.25 } });
  }

  function history(place, found) {
    const traces = dots(found.number, found.family, found.number, found.score);
    traces.push({ x: found.best_number, y: found.best_score, name: "best so far", mode: "lines", line: { shape: "hv", color: colour("--ink"), width: 2.5 } });
    return Plotly.react(place, traces, legend("Scores", "candidate", "score, dB"), options);
  }

  function front(place, found) {
    const traces = dots(found.number, found.family, found.along, found.up);
    const own = found.best.map((each, index) => each ? index : -1).filter(index => index >= 0).sort((a, b) => found.along[a] - found.along[b]);
    traces.push({
      x: own.map(index => found.along[index]), y: own.map(index => found.up[index]), customdata: own.map(index => found.number[index]), name: "nothing beats these",
      mode: "lines+markers", line: { color: colour("--ink"), dash: "dot" }, marker: { symbol: "circle-open", size: 11, color: colour("--ink") },
      hovertemplate: "candidate %{customdata}: %{x:.5g}, %{y:.4g}<extra>nothing beats it</extra>",
    });
    return Plotly.react(place, traces, legend("Candidates", found.x_words, found.y_words), options);
  }

  return { index, beam, map, impedance, history, front, onScheme: then => bright.addEventListener("change", then) };
})();
