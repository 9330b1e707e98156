"use strict";
// Draws the wall or the balloon of the page's data on a canvas: pieces sorted from the farthest to the nearest.
// Distances are shares of the canvas. The viewer looks along -toward; x is to the right, y up, z out of the mouth.
(() => {
  const root = document.getElementById("view");
  const data = JSON.parse(document.getElementById("view-data").textContent);
  const canvas = root.querySelector("canvas"), paper = canvas.getContext("2d");
  if (!paper) return;
  const part = (name) => root.querySelector(`[data-part="${name}"]`);
  const [wallButton, soundButton, slider, said, sound, legend] =
    ["wall", "sound", "frequency", "said", "choice", "legend"].map(part);
  const START = {turn: 35, tilt: 22, zoom: 1};
  const NEAREST = 0.6, FARTHEST = 6, EYE = 4, LAMP = unit([-0.45, 0.62, 0.64]), DARK = 0.42;
  const state = {...START, show: "wall", frequency: data.balloon ? data.balloon.first : 0};

  function unit(v) { const s = Math.hypot(...v) || 1; return v.map((c) => c / s); }
  function cross(a, b) { return [a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]]; }
  function minus(a, b) { return [a[0] - b[0], a[1] - b[1], a[2] - b[2]]; }

  // Grids of points, and a colour for each cell or null: the wall's sides.
  const walls = wallGrid();
  let sounds = null;
  function wallGrid() {
    const {rows, columns, points} = data.wall, found = [];
    const axial = points.filter((_, i) => i % 3 === 2), middle = (Math.min(...axial) + Math.max(...axial)) / 2;
    for (let i = 0; i < points.length; i += 3) found.push([points[i], points[i + 1], points[i + 2] - middle]);
    const reach = Math.max(...found.map((p) => Math.hypot(...p)));
    const colours = data.wall.cells ? data.wall.cells.map((cell) => data.palette[cell]) : null;
    return {rows, columns, points: found.map((p) => p.map((c) => c / reach)), colours, back: 0, size: 0.43};
  }
  function soundGrid() {
    const {off_axis: rings, azimuth, levels} = data.balloon, rows = rings.length, columns = azimuth.length;
    const level = levels.slice(state.frequency * rows * columns, (state.frequency + 1) * rows * columns);
    const points = level.map((tenths, i) => {
      const ring = rings[Math.floor(i / columns)], turn = azimuth[i % columns], radius = 1 - tenths / 10 / data.low;
      return [Math.sin(ring) * Math.cos(turn), Math.sin(ring) * Math.sin(turn), Math.cos(ring)].map((c) => radius * c);
    });
    const colours = level.map((_, i) => {
      const next = i % columns === columns - 1 ? i - columns + 1 : i + 1;
      // The last ring begins no cell.
      return i + columns < level.length ? shade((level[i] + level[next] + level[i + columns] + level[next + columns]) / 40) : null;
    });
    // What fills the front alone stands in the middle of the canvas all the same.
    return {rows, columns, points, colours, back: rings[rows - 1] < 2 ? 0.4 : 0, size: 0.37};
  }
  function shade(level) {
    const last = data.colours.length - 1;
    const at = Math.min(Math.max((level - data.low) / (data.high - data.low), 0), 1) * last;
    const low = Math.min(Math.floor(at), last - 1);
    return data.colours[low].map((c, k) => c + (at - low) * (data.colours[low + 1][k] - c));
  }

  function camera() {
    const [turn, tilt] = [state.turn, state.tilt].map((degrees) => degrees * Math.PI / 180);
    const toward = [Math.sin(turn) * Math.cos(tilt), Math.sin(tilt), Math.cos(turn) * Math.cos(tilt)];
    const right = [Math.cos(turn), 0, -Math.sin(turn)];
    return [right, cross(toward, right), toward];
  }
  function draw() {
    const grid = state.show === "sound" ? (sounds = sounds || soundGrid()) : walls, axes = camera();
    const {width, height} = canvas, scale = grid.size * Math.min(width, height) * state.zoom;
    const seen = (p) => axes.map((axis) => axis[0] * p[0] + axis[1] * p[1] + axis[2] * (p[2] - grid.back));
    const flat = (v) => {
      const size = scale * EYE / (EYE - v[2]);
      return [width / 2 + size * v[0], height / 2 - size * v[1]];
    };
    const points = grid.points.map(seen), pieces = [];
    for (let row = 0; row < grid.rows - 1; row++) {
      for (let column = 0; column < grid.columns; column++) {
        const first = row * grid.columns + column, next = row * grid.columns + (column + 1) % grid.columns;
        const corners = [first, next, next + grid.columns, first + grid.columns].map((i) => points[i]);
        const normal = unit(cross(minus(corners[2], corners[0]), minus(corners[3], corners[1])));
        const middle = [0, 1, 2].map((k) => (corners[0][k] + corners[1][k] + corners[2][k] + corners[3][k]) / 4);
        const eye = minus([0, 0, EYE], middle), away = normal[0]*eye[0] + normal[1]*eye[1] + normal[2]*eye[2];
        const side = away < 0 ? -1 : 1;
        const lamp = side * (normal[0] * LAMP[0] + normal[1] * LAMP[1] + normal[2] * LAMP[2]);
        const light = DARK + (1 - DARK) * Math.max(lamp, 0);
        const colour = grid.colours ? grid.colours[first] : away < 0 ? data.inside : data.outside;
        pieces.push({far: Math.hypot(...eye), line: corners.map(flat), colour: colour.map((c) => Math.round(c * light))});
      }
    }
    lines(grid).forEach(([a, b, words]) => {
      // In short steps, so that a line goes behind and comes out again.
      const steps = 12, ends = [a, b].map(seen);
      for (let i = 0; i < steps; i++) {
        const [from, to] = [i / steps, (i + 1) / steps].map((t) => ends[0].map((c, k) => c + t * (ends[1][k] - c)));
        const far = Math.hypot(...minus([0, 0, EYE], from.map((c, k) => (c + to[k]) / 2))) - 0.02;
        pieces.push({far, line: [flat(from), flat(to)], words: i === steps - 1 ? words : ""});
      }
    });
    pieces.sort((a, b) => b.far - a.far);
    paper.clearRect(0, 0, width, height);
    const dot = Math.max(1, window.devicePixelRatio || 1), ink = `rgb(${data.ink})`;
    const font = `${14 * dot}px system-ui, sans-serif`;
    Object.assign(paper, {lineJoin: "round", font, textAlign: "center", textBaseline: "middle"});
    for (const {line, colour, words} of pieces) {
      paper.beginPath();
      line.forEach(([x, y], i) => (i ? paper.lineTo(x, y) : paper.moveTo(x, y)));
      paper.lineWidth = colour ? 0.7 : 1.2 * dot;
      paper.strokeStyle = paper.fillStyle = colour ? `rgb(${colour})` : ink;
      if (colour) { paper.closePath(); paper.fill(); }
      paper.stroke();
      if (words) {
        // Beyond the end of the line.
        const [right, down] = unit(minus([...line[1], 0], [...line[0], 0]));
        paper.fillText(words, line[1][0] + 16 * dot * right, line[1][1] + 12 * dot * down);
      }
    }
    root.dataset.drawn = [state.show, state.turn, state.tilt, state.zoom.toFixed(2), pieces.length].join(" ");
  }
  // The axis; the rim of the wall, or the ring of the on-axis level in the mouth's plane and its two directions.
  function lines(grid) {
    if (state.show === "sound") {
      const ring = Array.from({length: 73}, (_, i) => [Math.cos(i * Math.PI / 36), Math.sin(i * Math.PI / 36), 0]);
      return [...pairs(ring), [[1, 0, 0], [1.15, 0, 0], "x"], [[0, 1, 0], [0, 1.15, 0], "y"], [[0, 0, 0], [0, 0, 1.25], "axis"]];
    }
    const rim = grid.points.slice(-grid.columns);
    const [wide, high, end] = [rim[0][0], rim[Math.round(grid.columns / 4)][1], rim[0][2]];
    const out = 0.12 * wide, right = [[wide, 0, end], [wide + out, 0, end], "x"], up = [[0, high, end], [0, high + out, end], "y"];
    return [...pairs([...rim, rim[0]]), right, up, [[0, 0, end], [0, 0, end + 0.35], "axis"]];
  }
  function pairs(points) { return points.slice(1).map((p, i) => [points[i], p, ""]); }

  let waiting = false;
  function update() {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; draw(); });
  }
  function show(what) {
    state.show = what;
    wallButton.setAttribute("aria-pressed", String(what === "wall"));
    soundButton.setAttribute("aria-pressed", String(what === "sound"));
    sound.hidden = what !== "sound";
    legend.hidden = what !== "sound" && !data.wall.cells;
    tell();
    update();
  }
  function tell() {
    const name = data.balloon ? data.balloon.frequencies[state.frequency] : "";
    said.textContent = name;
    slider.setAttribute("aria-valuetext", name);
    canvas.setAttribute("aria-label", state.show === "wall" ? "The wall in space" : `Directivity balloon at ${name}`);
  }
  function turn(right, up) {
    state.turn = (state.turn + right) % 360;
    state.tilt = Math.min(90, Math.max(-90, state.tilt + up));
    update();
  }
  function zoom(by) { state.zoom = Math.min(FARTHEST, Math.max(NEAREST, state.zoom * by)); update(); }
  function reset() { Object.assign(state, START); update(); }

  const fingers = new Map();
  const spread = () => { const [a, b] = [...fingers.values()]; return Math.hypot(a[0] - b[0], a[1] - b[1]); };
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, [event.clientX, event.clientY]);
  });
  canvas.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    if (!before) return;
    const apart = fingers.size === 2 ? spread() : 0;
    fingers.set(event.pointerId, [event.clientX, event.clientY]);
    if (fingers.size === 2) zoom(spread() / Math.max(apart, 1));
    else if (fingers.size === 1) turn((before[0] - event.clientX) * 0.5, (event.clientY - before[1]) * 0.5);
  });
  for (const name of ["pointerup", "pointercancel"]) canvas.addEventListener(name, (event) => fingers.delete(event.pointerId));
  // Before it is chosen, the wheel scrolls the page past it.
  canvas.addEventListener("wheel", (event) => {
    if (document.activeElement !== canvas && !event.ctrlKey) return;
    event.preventDefault();
    zoom(Math.exp(-event.deltaY * (event.deltaMode ? 0.05 : 0.0015)));
  }, {passive: false});
  const keys = {ArrowLeft: () => turn(10, 0), ArrowRight: () => turn(-10, 0), ArrowUp: () => turn(0, -10),
    ArrowDown: () => turn(0, 10), "+": () => zoom(1.2), "=": () => zoom(1.2), "-": () => zoom(1 / 1.2), Home: reset, 0: reset};
  canvas.addEventListener("keydown", (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey || !keys[event.key]) return;
    event.preventDefault();
    keys[event.key]();
  });
  wallButton.addEventListener("click", () => show("wall"));
  soundButton.addEventListener("click", () => show("sound"));
  part("reset").addEventListener("click", reset);
  slider.addEventListener("input", () => { state.frequency = Number(slider.value); sounds = null; tell(); update(); });

  root.querySelector("img").hidden = true;
  canvas.hidden = part("controls").hidden = part("help").hidden = false;
  soundButton.hidden = wallButton.hidden = !data.balloon;
  if (data.balloon) {
    slider.max = String(data.balloon.frequencies.length - 1);
    slider.value = String(state.frequency);
  }
  new ResizeObserver(() => {
    const dot = window.devicePixelRatio || 1;
    canvas.width = Math.round(canvas.clientWidth * dot);
    canvas.height = Math.round(canvas.clientHeight * dot);
    draw();
  }).observe(canvas);
  show("wall");
})();
