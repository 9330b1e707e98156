"use strict";
// What is shown and asked for. All numbers come from the program that serves this page; nothing is worked out here.
const part = name => document.getElementById(name);
const state = { shape: null, target: null, run: null, sound: null, kept: null, dragging: null, sent: 0, due: null, ahead: {} };
const socket = new WebSocket(location.href.replace(/^http/, "ws").replace(/[?#].*$/, "") + "live");

function ask(message) { if (socket.readyState === WebSocket.OPEN) { socket.send(JSON.stringify(message)); } }

function say(words, bad) {
  part("said").textContent = words;
  part("said").classList.toggle("bad", Boolean(bad));
}

socket.addEventListener("open", () => say("Connected."));
socket.addEventListener("close", () => say("The program that serves this page has ended, or the connection was lost. What was not saved is lost with it; load the page again.", true));
socket.addEventListener("message", event => {
  const news = JSON.parse(event.data);
  const does = { shape, sound, kept, target, run, front, picked, said: each => say(each.words, each.bad) };
  if (does[news.kind]) { does[news.kind](news); }
});

// Views -----------------------------------------------------------------------------------------------------------

const tabs = [...document.querySelectorAll("[role=tab]")];

function view(tab) {
  tabs.forEach(each => {
    const chosen = each === tab;
    each.setAttribute("aria-selected", String(chosen));
    each.tabIndex = chosen ? 0 : -1;
    part(each.getAttribute("aria-controls")).hidden = !chosen;
  });
  redraw();
}

tabs.forEach((tab, at) => {
  tab.addEventListener("click", () => view(tab));
  tab.addEventListener("keydown", event => {
    const way = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (way) {
      const next = tabs[(at + way + tabs.length) % tabs.length];
      view(next);
      next.focus();
    }
  });
});

function redraw() {
  if (state.sound) { drawSound(true); }
  if (state.run && state.run.history) { charts.history(part("history"), state.run.history); }
  if (state.front) { charts.front(part("front-chart"), state.front); }
}
charts.onScheme(redraw);

// Pulling ---------------------------------------------------------------------------------------------------------

// While something moves one message is under way at a time; of those that wait only the last is sent.
function pull(what, changes, moving) {
  Object.assign(state.ahead, changes);
  state.due = { do: what, changes, moving };
  if (!state.sent || !moving) { send(); }
}

function send() {
  ask(state.due);
  state.due = null;
  state.sent += 1;
}

function next() {
  state.sent = Math.max(0, state.sent - 1);
  if (state.due) { send(); }
  if (!state.sent) { state.ahead = {}; }
}

// What a number is about to be: keys may come faster than answers.
const soon = knob => state.ahead[knob.name] === undefined ? knob.value : state.ahead[knob.name];

const held = (value, knob) => Math.min(knob.high, Math.max(knob.low, value));

function numbers(form, knobs, what) {
  const there = new Map([...form.querySelectorAll("input")].map(each => [each.name, each]));
  if (knobs.length !== there.size || knobs.some(each => !there.has(each.name))) {
    form.replaceChildren();
    there.clear();
    knobs.forEach(knob => {
      const label = document.createElement("label");
      const input = document.createElement("input");
      Object.assign(input, { type: "number", name: knob.name, step: "any", min: knob.low, max: knob.high });
      input.addEventListener("change", () => {
        if (input.value !== "") { pull(what, { [knob.name]: input.valueAsNumber }, false); }
      });
      label.append(knob.label + (knob.unit ? ", " + knob.unit : ""), input);
      form.append(label);
      there.set(knob.name, input);
    });
    form.onsubmit = event => event.preventDefault();
  }
  knobs.forEach(knob => {
    const input = there.get(knob.name);
    if (document.activeElement !== input || state.dragging) { input.value = Number(knob.value.toFixed(4)); }
    input.dataset.value = knob.value;
  });
}

// Shape -----------------------------------------------------------------------------------------------------------

const wide = 640, edge = 46;

function shape(news) {
  state.shape = news;
  part("no-shape").hidden = news.open;
  part("has-shape").hidden = !news.open;
  if (!news.open) { next(); return; }
  part("title").textContent = news.name + (news.saved ? "" : " (not saved)");
  part("undo").disabled = !news.can_undo;
  part("redo").disabled = !news.can_redo;
  if (!part("save-name").dataset.touched) { part("save-name").value = ""; part("save-name").placeholder = news.file; }
  if (!part("process").children.length) {
    news.processes.forEach(each => part("process").append(new Option(each, each)));
  }
  Object.keys(news.walls).forEach(plane => wall(plane, news));
  part("note").textContent = news.note;
  numbers(part("knobs"), news.knobs, "pull");
  next();
}

function wall(plane, news) {
  const points = news.walls[plane], id = "wall-" + (plane || "round");
  const deep = points[points.length - 1][0], high = Math.max(...points.map(each => each[1]));
  let own = state.dragging && state.dragging.scales[plane];
  if (!own) {
    const scale = Math.min((wide - 2 * edge) / Math.max(deep, 10), 330 / Math.max(high, 10));
    own = { scale, height: Math.round(high * scale + 2 * edge) };
  }
  const toX = z => edge + z * own.scale, toY = r => own.height - edge + 8 - r * own.scale;
  let svg = part(id);
  if (!svg || svg.dataset.shape !== news.file + own.height) {
    const label = plane ? "The wall in the " + plane + " plane" : "The wall from throat to mouth";
    const fresh = handled.element("svg", { id, viewBox: "0 0 " + wide + " " + own.height, role: "group", "aria-label": label });
    fresh.dataset.shape = news.file + own.height;
    ["body", "kept", "wall"].forEach(name => handled.element("path", { class: name }, fresh));
    handled.element("line", { class: "grid" }, fresh);
    handled.element("text", { class: "size", x: edge, y: own.height - 8 }, fresh);
    if (svg) { svg.replaceWith(fresh); } else { part("walls").append(fresh); }
    svg = fresh;
  }
  const path = list => list.map((each, at) => (at ? "L" : "M") + toX(each[0]).toFixed(2) + " " + toY(each[1]).toFixed(2)).join("");
  svg.querySelector(".wall").setAttribute("d", path(points));
  svg.querySelector(".body").setAttribute("d", path(points) + "L" + toX(deep) + " " + toY(0) + "L" + toX(0) + " " + toY(0) + "Z");
  const before = state.kept && state.kept.walls && state.kept.walls[plane];
  svg.querySelector(".kept").setAttribute("d", before ? path(before) : "");
  const axis = svg.querySelector("line");
  Object.entries({ x1: toX(0), x2: toX(deep), y1: toY(0), y2: toY(0) }).forEach(([key, value]) => axis.setAttribute(key, value));
  svg.querySelector(".size").textContent = (plane ? plane + ": " : "") + "depth " + deep.toFixed(1) + " mm, mouth " + (2 * high).toFixed(1) + " mm";
  const mine = news.handles.filter(each => each.plane === plane);
  mine.forEach(each => {
    let group = svg.querySelector('[data-key="' + CSS.escape(each.name) + '"]');
    if (!group) {
      group = handled.grip(svg, each.name, each.name);
      hold(group, svg, each.name, plane, own);
    }
    group.setAttribute("transform", "translate(" + toX(each.at[0]).toFixed(2) + " " + toY(each.at[1]).toFixed(2) + ")");
    const knob = news.knobs.find(one => one.name === Object.keys(each.moves)[Object.keys(each.moves).length - 1]);
    group.setAttribute("aria-valuenow", knob.value);
    group.setAttribute("aria-valuemin", knob.low);
    group.setAttribute("aria-valuemax", knob.high);
    group.setAttribute("aria-valuetext", Object.keys(each.moves).map(name => {
      const one = news.knobs.find(every => every.name === name);
      return one.label + " " + Number(one.value.toFixed(3)) + " " + one.unit;
    }).join(", "));
  });
  svg.querySelectorAll("[role=slider]").forEach(group => {
    if (!mine.some(each => each.name === group.dataset.key)) { group.remove(); }
  });
}

const handleOf = (name, plane) => state.shape.handles.find(each => each.name === name && each.plane === plane);
const knobOf = name => state.shape.knobs.find(each => each.name === name);

// The numbers that bring a handle to a place (z, r), as far as its knobs go there.
function toward(handle, z, r) {
  const changes = {};
  Object.entries(handle.moves).forEach(([name, [along, up]]) => {
    const knob = knobOf(name), size = along * along + up * up;
    const by = ((z - handle.at[0]) * along + (r - handle.at[1]) * up) / size;
    changes[name] = held(knob.value + by, knob);
  });
  return changes;
}

function hold(group, svg, name, plane, own) {
  group.addEventListener("pointerdown", event => {
    event.preventDefault();
    group.focus();
    group.setPointerCapture(event.pointerId);
    state.dragging = { scales: { [plane]: own } };
    Object.keys(state.shape.walls).forEach(each => { state.dragging.scales[each] = state.dragging.scales[each] || { scale: own.scale, height: own.height }; });
  });
  const place = event => {
    const [x, y] = handled.spot(svg, event);
    return toward(handleOf(name, plane), (x - edge) / own.scale, (own.height - edge + 8 - y) / own.scale);
  };
  group.addEventListener("pointermove", event => { if (state.dragging) { pull("pull", place(event), true); } });
  const end = event => {
    if (!state.dragging) { return; }
    const last = place(event);
    state.dragging = null;
    pull("pull", last, false);
  };
  group.addEventListener("pointerup", end);
  group.addEventListener("pointercancel", end);
  group.addEventListener("keydown", event => {
    const way = handled.keyed(event);
    if (!way) { return; }
    const names = Object.keys(handleOf(name, plane).moves);
    const [one, by] = names.length > 1 && way[0] ? [names[0], way[0]] : [names[names.length - 1], way[0] + way[1]];
    const knob = knobOf(one);
    pull("pull", { [one]: held(soon(knob) + by * knob.step, knob) }, false);
  });
}

function sound(news) {
  if (news.fault) {
    part("answer").textContent = news.fault;
    return;
  }
  state.sound = news;
  drawSound(false);
  const { curves, judged } = news;
  Object.assign(part("setting").dataset, { setting: curves.setting, number: news.number, checked: curves.checked });
  part("setting").textContent = "Solved at " + curves.setting + " in " + Math.round(1000 * curves.seconds) + " ms" + (curves.setting !== "full" ? "; at full when it rests." : curves.checked ? "." : "; how far it can be trusted follows.");
  if (!judged) {
    part("answer").textContent = "No target is open: nothing to score against.";
    return;
  }
  if (judged.fault) {
    part("answer").textContent = judged.fault;
    return;
  }
  part("answer").textContent = "Score " + judged.score.toFixed(3) + " dB. " + judged.headline;
  part("answer").dataset.score = judged.score;
  part("lines").replaceChildren(...judged.lines.map(each => Object.assign(document.createElement("li"), { textContent: each })));
  const number = value => value === null ? "" : String(value);
  table(part("limits"), "Limits", ["limit", "is", "least", "greatest", ""], judged.limits.map(each => ({
    cells: [each.name, number(each.value), number(each.low), number(each.high), each.kept ? "kept" : "broken"], broken: !each.kept,
  })));
}

function table(place, title, head, rows) {
  const made = (name, text) => Object.assign(document.createElement(name), { textContent: text });
  const row = (cells, of) => {
    const one = document.createElement("tr");
    cells.forEach((each, at) => {
      const cell = made(at && !of ? "td" : "th", each);
      cell.scope = of ? "col" : at ? "" : "row";
      if (at) { cell.className = "number"; }
      one.append(cell);
    });
    return one;
  };
  const top = document.createElement("thead"), body = document.createElement("tbody");
  top.append(row(head, true));
  rows.forEach(each => {
    const one = row(each.cells, false);
    if (each.broken) { one.className = "broken"; }
    body.append(one);
  });
  place.replaceChildren(made("caption", title), top, body);
}

// While something moves the map waits: it is the dearest to draw.
function drawSound(all) {
  if (part("shape").hidden) { return; }
  charts.index(part("index"), state.sound, state.kept);
  charts.beam(part("beam"), state.sound, state.kept);
  if (all || !state.dragging) {
    charts.impedance(part("impedance"), state.sound);
    planes(Object.keys(state.sound.curves.map.level));
    charts.map(part("map"), state.sound, part("plane").value);
  }
}

function planes(names) {
  part("plane-label").hidden = names.length < 2;
  if (part("plane").children.length !== names.length) {
    part("plane").replaceChildren(...names.map(each => new Option(each, each)));
  }
}
part("plane").addEventListener("change", () => { if (state.sound) { drawSound(true); } });

function kept(news) {
  state.kept = news;
  if (state.shape && state.shape.open) { Object.keys(state.shape.walls).forEach(plane => wall(plane, state.shape)); }
  if (state.sound) { drawSound(true); }
  say(news.words + " is kept to compare with: dashed in the wall, dotted in the curves.");
}

const simple = { undo: "undo", redo: "redo", keep: "keep", "undo-wish": "undo_wish", "redo-wish": "redo_wish", stop: "stop" };
Object.entries(simple).forEach(([button, what]) => part(button).addEventListener("click", () => ask({ do: what })));
part("save").addEventListener("click", () => ask({ do: "save", name: part("save-name").value }));
part("save-wish").addEventListener("click", () => ask({ do: "save_wish", name: part("wish-name").value }));
part("export").addEventListener("submit", event => {
  event.preventDefault();
  ask({ do: "export", process: part("process").value, folder: part("export-folder").value });
});
document.addEventListener("keydown", event => {
  if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z" && !part("shape").hidden && event.target.tagName !== "INPUT") {
    event.preventDefault();
    ask({ do: event.shiftKey ? "redo" : "undo" });
  }
});

// Target ----------------------------------------------------------------------------------------------------------

function target(news) {
  state.target = news;
  part("no-target").hidden = news.open;
  part("has-target").hidden = !news.open;
  if (!news.open) { return; }
  part("undo-wish").disabled = !news.can_undo;
  part("redo-wish").disabled = !news.can_redo;
  part("wish-name").placeholder = news.file;
  part("tab-target").textContent = "Target" + (news.saved ? "" : " (not saved)");
  const lines = [...(news.refused ? [news.refused] : []), ...news.remarks];
  part("remarks").replaceChildren(...(lines.length ? lines : ["Nothing contradicts itself, and the largest mouth reaches the index."]).map(each =>
    Object.assign(document.createElement("li"), { textContent: each })));
  wishCurves(news);
  numbers(part("points"), news.points, "wish");
  next();
}

function wishCurves(news) {
  const kinds = [...new Set(news.points.map(each => each.curve))].filter(each => each !== "tolerance_db");
  kinds.forEach(kind => wishCurve(news, kind));
}

function wishCurve(news, kind) {
  const id = "wish-" + kind, high = 260, inside = { left: 56, right: 16, top: 26, bottom: 40 };
  const points = news.points.filter(each => each.curve === kind);
  const isIndex = kind === "index_db";
  const frequency = news.frequency, first = frequency[0] / 1.25, last = frequency[frequency.length - 1] * 1.25;
  const around = isIndex ? [...news.wanted.low, ...news.wanted.high] : points.map(each => each.value);
  let range = state.dragging && state.dragging.ranges && state.dragging.ranges[kind];
  if (!range) { range = [Math.min(...around) - (isIndex ? 2 : 30), Math.max(...around) + (isIndex ? 2 : 30)]; }
  const toX = f => inside.left + Math.log(f / first) / Math.log(last / first) * (wide - inside.left - inside.right);
  const toY = value => high - inside.bottom - (value - range[0]) / (range[1] - range[0]) * (high - inside.top - inside.bottom);
  const fromY = y => range[0] + (high - inside.bottom - y) / (high - inside.top - inside.bottom) * (range[1] - range[0]);
  let svg = part(id);
  if (!svg) {
    svg = handled.picture(part("wishes"), wide, high, points[0].label.split(" at ")[0] + " over frequency");
    svg.id = id;
  }
  const grips = new Map([...svg.querySelectorAll("[role=slider]")].map(each => [each.dataset.key, each]));
  [...svg.children].forEach(each => { if (each.getAttribute("role") !== "slider") { each.remove(); } });
  const back = handled.element("g", {}, null);
  const path = (xs, ys) => xs.map((x, at) => (at ? "L" : "M") + toX(x).toFixed(2) + " " + toY(ys[at]).toFixed(2)).join("");
  handled.element("text", { x: 8, y: 16 }, back, points[0].label.split(" at ")[0] + ", " + (points[0].unit === "°" ? "degrees" : points[0].unit));
  [20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000].filter(f => f > first && f < last).forEach(f => {
    handled.element("line", { class: "grid", x1: toX(f), x2: toX(f), y1: inside.top, y2: high - inside.bottom }, back);
    handled.element("text", { x: toX(f), y: high - 20, "text-anchor": "middle" }, back, f >= 1000 ? f / 1000 + "k" : String(f));
  });
  handled.element("text", { x: wide - inside.right, y: high - 4, "text-anchor": "end" }, back, "frequency, Hz");
  const step = isIndex ? 2 : 30;
  for (let value = Math.ceil(range[0] / step) * step; value <= range[1]; value += step) {
    handled.element("line", { class: "grid", x1: inside.left, x2: wide - inside.right, y1: toY(value), y2: toY(value) }, back);
    handled.element("text", { x: inside.left - 6, y: toY(value) + 4, "text-anchor": "end" }, back, String(value));
  }
  const clip = handled.element("clipPath", { id: id + "-inside" }, back);
  handled.element("rect", { x: inside.left, y: inside.top, width: wide - inside.left - inside.right, height: high - inside.top - inside.bottom }, clip);
  if (isIndex) {
    const { frequency: f, low, high: top } = news.wanted;
    handled.element("path", { class: "tolerance", d: path([...f, ...[...f].reverse()], [...low, ...[...top].reverse()]) + "Z" }, back);
    handled.element("path", { class: "reach", "clip-path": "url(#" + id + "-inside)", d: path(news.reach.frequency, news.reach.index) }, back);
  }
  handled.element("path", { class: "curve", d: path(frequency, points.map(each => each.value)) }, back);
  svg.prepend(back);
  // The band's handles lie on its upper edge: how far they are above the curve is the tolerance.
  const band = isIndex ? news.points.filter(each => each.curve === "tolerance_db") : [];
  const middle = index => points.find(each => each.index === index).value;
  [...points, ...band].forEach(point => {
    const own = point.curve === kind;
    let group = grips.get(point.name);
    if (!group) {
      group = handled.grip(svg, point.name, point.label);
      group.classList.toggle("small", !own);
      const move = (value, moving) => {
        const now = state.target.points.find(each => each.name === point.name);
        pull("wish", { [point.name]: held(value, now) }, moving);
      };
      const asked = event => {
        const value = svg.ranges.fromY(handled.spot(svg, event)[1]);
        return own ? value : value - svg.ranges.middle(point.index);
      };
      group.addEventListener("pointerdown", event => {
        event.preventDefault();
        group.focus();
        group.setPointerCapture(event.pointerId);
        state.dragging = { scales: {}, ranges: { [kind]: svg.ranges.range } };
      });
      group.addEventListener("pointermove", event => { if (state.dragging) { move(asked(event), true); } });
      const end = event => {
        if (!state.dragging) { return; }
        const value = asked(event);
        state.dragging = null;
        move(value, false);
      };
      group.addEventListener("pointerup", end);
      group.addEventListener("pointercancel", end);
      group.addEventListener("keydown", event => {
        const way = handled.keyed(event);
        const now = state.target.points.find(each => each.name === point.name);
        if (way) { move(soon(now) + (way[0] + way[1]) * (isIndex ? 0.1 : 1), false); }
      });
    }
    group.setAttribute("transform", "translate(" + toX(frequency[point.index]).toFixed(2) + " " + toY(own ? point.value : middle(point.index) + point.value).toFixed(2) + ")");
    group.setAttribute("aria-valuenow", point.value);
    group.setAttribute("aria-valuemin", point.low);
    group.setAttribute("aria-valuemax", point.high);
    group.setAttribute("aria-valuetext", Number(point.value.toFixed(3)) + " " + point.unit);
  });
  svg.ranges = { range, fromY, middle };
}

// Run -------------------------------------------------------------------------------------------------------------

function run(news) {
  const before = state.run;
  state.run = news;
  const process = news.process;
  part("stop").disabled = !(process && process.running);
  const lines = [];
  if (news.fault) { lines.push(news.fault); }
  if (news.candidates !== undefined) {
    const best = news.best === null ? "none keeps the limits yet" : "the best at " + news.best.toFixed(3) + " dB";
    lines.push("Folder " + news.folder + ": " + news.candidates + " candidates, " + best + "; " + (news.running ? "a search is at work" + (news.left ? ", about " + news.left + " left" : "") : "nothing searches in it now") + (news.last ? "; judged last: number " + news.last.number + ", " + news.last.family + " " + news.last.stage : "") + ".");
  } else if (!news.open) {
    lines.push("No run is open. Search for the target that is open, into a folder beside it.");
  }
  part("state").textContent = lines.join(" ");
  const ended = process && !process.running ? "ended with exit code " + process.code : "at work";
  part("process-said").textContent = process ? "evenflare " + process.words + ": " + ended + "\n" + process.said.join("\n") : "";
  if (process && !process.running && (!before || !before.process || before.process.running)) { say("evenflare " + process.words.split(" ")[0] + " has " + ended + "."); }
  if (!news.families || !news.history) { return; }
  table(part("families"), "Families", ["family", "candidates", "best, dB", "number", "judged"], news.families.map(each => ({
    cells: [each.name, String(each.candidates), each.score === null ? "none" : each.score.toFixed(3), each.number === null ? "" : String(each.number), each.stage],
  })));
  if (!part("run").hidden && (!before || before.candidates !== news.candidates)) { charts.history(part("history"), news.history); }
  ["across", "up"].forEach((name, at) => {
    const select = part(name);
    if (select.children.length !== news.quantities.length) {
      select.replaceChildren(...news.quantities.map(each => new Option(each.words, each.name)));
      select.selectedIndex = Math.min(at ? 0 : 1, news.quantities.length - 1);
    }
  });
}

function front(news) {
  state.front = news;
  if (part("run").hidden) { return; }
  charts.front(part("front-chart"), news).then(() => clicks("front-chart"));
}

function clicks(name) {
  const place = part(name);
  if (place.dataset.listens || !place.on) { return; }
  place.dataset.listens = "1";
  place.on("plotly_click", event => {
    const number = event.points[0].customdata;
    if (number !== undefined) { part("number").value = number; ask({ do: "pick", number }); }
  });
}

function picked(news) {
  say("Candidate " + news.number + " is the shape now. Undo takes the one before back.");
  clicks("history");
}

part("search").addEventListener("submit", event => {
  event.preventDefault();
  const number = name => part(name).value === "" ? null : part(name).valueAsNumber;
  const goes = state.run && state.run.folder === part("folder").value;
  ask({ do: "search", folder: goes ? null : part("folder").value, minutes: number("minutes"), candidates: number("candidates"), from_shape: part("from-shape").checked });
});
part("front").addEventListener("submit", event => {
  event.preventDefault();
  ask({ do: "front", x: part("across").value, y: part("up").value });
});
part("pick").addEventListener("click", () => ask({ do: "pick", number: part("number").value === "" ? null : part("number").valueAsNumber }));
