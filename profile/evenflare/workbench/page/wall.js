"use strict";
// Curves with handles that are pulled with mouse or finger, or moved with arrow keys.
const handled = (() => {
  const space = "http://www.w3.org/2000/svg";

  function element(name, attributes, parent, text) {
    const made = document.createElementNS(space, name);
    Object.entries(attributes).forEach(([key, value]) => made.setAttribute(key, value));
    if (text !== undefined) { made.textContent = text; }
    if (parent) { parent.append(made); }
    return made;
  }

  // A picture whose axes are in the reader's units; `toX` and `toY` give its own.
  function picture(place, width, height, label) {
    const svg = element("svg", { viewBox: "0 0 " + width + " " + height, role: "group", "aria-label": label });
    place.append(svg);
    return svg;
  }

  // What a pointer is over, in the picture's own units.
  function spot(svg, event) {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return [at.x, at.y];
  }

  function grip(svg, key, label) {
    const group = element("g", { role: "slider", tabindex: "0", "data-key": key, "aria-label": label }, svg);
    element("circle", { class: "reach-of-finger", r: "22" }, group);
    element("circle", { class: "grip", r: "8" }, group);
    return group;
  }

  // How far arrow keys go: [across, up] in steps.
  function keyed(event) {
    const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowDown: [0, -1], ArrowUp: [0, 1] };
    const way = ways[event.key];
    if (!way) { return null; }
    event.preventDefault();
    const size = event.shiftKey ? 10 : event.altKey ? 0.1 : 1;
    return [way[0] * size, way[1] * size];
  }

  return { element, picture, spot, grip, keyed };
})();
