"use strict";
// Draws the layers that `told` holds on one canvas, and answers clicks, the search and the switches.
// Whatever comes from records becomes text (textContent, fillText), never markup.
(() => {
const told = JSON.parse(document.getElementById("told").textContent);
const map = map_nursery;
const EARTH_M = 40075016.686, TILE = 256, STEP = 1e7;
const DASHES = { solid: [], long: [10, 5], dots: [2, 5], dashdot: [11, 4, 2, 4] };
const MOST_FOUND = 20, LETTERS_FROM = 6, NEAR = matchMedia("(pointer: coarse)").matches ? 24 : 12;

// ------------------------------------------------------------------------------ what is told

const unpack = (packed) => {
  if (packed.list) return packed.list;
  const numbers = packed.at || [];
  for (let i = 0; i < (packed.runs || []).length; i += 2)
    for (let k = 0; k < packed.runs[i + 1]; k++) numbers.push(packed.runs[i]);
  return numbers.map((number) => (number < 0 ? null : packed.words[number]));
};

const summed = (steps) => { let at = 0; return steps.map((step) => (at += step)); };

const open = (sheet) => {
  const lat = summed(sheet.places.lat), lon = summed(sheet.places.lon);
  const lengths = sheet.places.parts && unpack(sheet.places.parts);
  const n = lengths ? lengths.length : lat.length;
  const first = new Int32Array(n + 1);
  for (let i = 0; i < n; i++) first[i + 1] = first[i] + (lengths ? lengths[i] : 1);
  const x = new Float64Array(lat.length), y = new Float64Array(lat.length);
  for (let i = 0; i < lat.length; i++) {
    const at = L.CRS.EPSG3857.latLngToPoint({ lat: lat[i] / STEP, lng: lon[i] / STEP }, 0);
    x[i] = at.x; y[i] = at.y;
  }
  const columns = {};
  for (const name in sheet.columns) columns[name] = unpack(sheet.columns[name]);
  const themes = sheet.themes.map((theme) => ({ ...theme, of: unpack(theme.of) }));
  return { ...sheet, kind: sheet.places.kind, n, first, x, y, columns, themes,
           theme: themes[0], shown: new Uint8Array(n).fill(1), history: opened(sheet.history) };
};

const opened = (history) => {
  if (!history) return null;
  const lines = unpack(history.lines);
  let at = 0;
  return unpack(history.counts).map((count) => lines.slice(at, at += count));
};

const sheets = told.sheets.map(open);
const byCode = new Map();
sheets.forEach((sheet) => sheet.background || sheet.columns.code.forEach((code, i) => {
  if (!byCode.has(code)) byCode.set(code, { sheet, i });
}));

// ------------------------------------------------------------------------------ symbols

const outlines = {
  square: [[-.86, -.86], [.86, -.86], [.86, .86], [-.86, .86]],
  diamond: [[0, -1.15], [1.15, 0], [0, 1.15], [-1.15, 0]],
  triangle: [[0, -1.1], [1.1, .85], [-1.1, .85]],
  wedge: [[0, 1.1], [1.1, -.85], [-1.1, -.85]],
  plus: [[-.38, -1], [.38, -1], [.38, -.38], [1, -.38], [1, .38], [.38, .38], [.38, 1], [-.38, 1],
         [-.38, .38], [-1, .38], [-1, -.38], [-.38, -.38]],
};
const spokes = (n, inner, turn) => Array.from({ length: 2 * n }, (_, i) => {
  const far = i % 2 ? inner : 1.15, angle = turn + Math.PI * i / n;
  return [far * Math.sin(angle), -far * Math.cos(angle)];
});
outlines.star = spokes(5, .5, 0);
outlines.hexagon = spokes(3, 1.05, 0);
outlines.cross = outlines.plus.map(([a, b]) => [(a - b) * .78, (a + b) * .78]);

const isDark = (colour) => {
  const [r, g, b] = [1, 3, 5].map((i) => parseInt(colour.slice(i, i + 2), 16));
  return .299 * r + .587 * g + .114 * b < 140;
};

const symbol = (ctx, look, r, text) => {
  ctx.beginPath();
  const outline = outlines[look.shape];
  if (outline) outline.forEach(([a, b], i) => ctx[i ? "lineTo" : "moveTo"](a * r, b * r));
  else ctx.arc(0, 0, r, 0, 2 * Math.PI);
  ctx.closePath();
  const hollow = look.shape === "ring";
  ctx.fillStyle = hollow ? "#ffffff" : look.colour;
  ctx.fill();
  ctx.setLineDash([]);
  ctx.lineWidth = hollow ? Math.max(1.2, r / 4) : r > 3 ? 1 : .5;
  ctx.strokeStyle = hollow ? look.colour : "#1d2a30";
  ctx.stroke();
  if (text && r >= LETTERS_FROM) {
    ctx.fillStyle = !hollow && isDark(look.colour) ? "#ffffff" : "#000000";
    ctx.font = `700 ${Math.round(r * (text.length > 2 ? .95 : 1.2))}px sans-serif`;
    ctx.textAlign = "center";
    ctx.textBaseline = "middle";
    ctx.fillText(text, 0, look.shape === "triangle" ? r * .2 : 0);
  }
};

// A symbol is drawn once and copied to wherever it stands: a hundred thousand copies are quick.
const stamps = new Map();
const stamp = (look, r, ratio) => {
  const key = [look.colour, look.shape, look.letter, r, ratio].join();
  if (!stamps.has(key)) {
    const side = Math.ceil(2.6 * r + 4), canvas = document.createElement("canvas");
    canvas.width = canvas.height = side * ratio;
    const ctx = canvas.getContext("2d");
    ctx.scale(ratio, ratio);
    ctx.translate(side / 2, side / 2);
    symbol(ctx, look, r, look.letter);
    stamps.set(key, { canvas, side });
  }
  return stamps.get(key);
};

const WORDS = "600 12px sans-serif";
const haloed = (ctx, text) => {
  ctx.font = WORDS;
  ctx.textAlign = "center";
  ctx.textBaseline = "middle";
  ctx.setLineDash([]);
  ctx.lineJoin = "round";
  ctx.lineWidth = 3.5;
  ctx.strokeStyle = "rgba(255,255,255,.92)";
  ctx.strokeText(text, 0, 0);
  ctx.fillStyle = "#1d2a30";
  ctx.fillText(text, 0, 0);
};

// ------------------------------------------------------------------------------ drawing

const view = () => {
  const scale = 2 ** map.getZoom(), origin = map.getPixelOrigin();
  const metres = EARTH_M * Math.cos(map.getCenter().lat * Math.PI / 180) / (TILE * scale);
  return { scale, ox: origin.x, oy: origin.y, metres };
};
const radius = (sheet, at) =>
  Math.min(sheet.most, Math.max(sheet.least, Math.round(sheet.apart / at.metres / 2.6)));
const isDrawn = (sheet, at) => !sheet.hidden && !(sheet.from && at.metres > sheet.from);
const lookOf = (sheet, i) => sheet.theme.looks[sheet.theme.of[i]];
const textOf = (sheet, i) => {
  const text = sheet.label ? sheet.columns[sheet.label][i] : null;
  return text === null ? "" : String(text);
};

const path = (ctx, sheet, i, at) => {
  ctx.beginPath();
  for (let k = sheet.first[i]; k < sheet.first[i + 1]; k++)
    ctx[k > sheet.first[i] ? "lineTo" : "moveTo"](sheet.x[k] * at.scale - at.ox,
                                                  sheet.y[k] * at.scale - at.oy);
};

const painters = {
  area(ctx, sheet, at) {
    for (let i = 0; i < sheet.n; i++) {
      path(ctx, sheet, i, at);
      ctx.setLineDash([]);
      ctx.fillStyle = "rgba(255,255,255,.75)";
      ctx.fill();
      ctx.lineWidth = 1.2;
      ctx.strokeStyle = "#8a968c";
      ctx.stroke();
    }
  },
  line(ctx, sheet, at) {
    const wide = sheet.wide ? Math.min(9, Math.max(2.5, sheet.wide / at.metres)) : 2.5;
    // A regraft lies above the lot it stands in; then what the legend names first above the rest.
    const order = [...Array(sheet.n).keys()].filter((i) => sheet.shown[i]);
    const over = (i) => +!!sheet.columns.regraft_of?.[i];
    order.sort((i, k) => over(i) - over(k) || sheet.theme.of[k] - sheet.theme.of[i]);
    for (const i of order) {
      const look = lookOf(sheet, i);
      path(ctx, sheet, i, at);
      ctx.setLineDash([]);
      // A light line shows on white by its edge, and its dashes by the white between.
      for (const [more, colour] of wide > 4 ? [[1.6, "#59646a"], [.4, "#ffffff"]] : [[2, "#ffffff"]]) {
        ctx.lineWidth = wide + more;
        ctx.strokeStyle = colour;
        ctx.stroke();
      }
      ctx.setLineDash(DASHES[look.line].map((part) => part * Math.max(1, wide / 4)));
      ctx.lineWidth = wide;
      ctx.strokeStyle = look.colour;
      ctx.stroke();
    }
  },
  point(ctx, sheet, at, bounds) {
    const r = radius(sheet, at), ratio = devicePixelRatio || 1, laidOut = sheet.columns.estimated;
    for (let i = 0; i < sheet.n; i++) {
      if (!sheet.shown[i]) continue;
      const x = sheet.x[i] * at.scale - at.ox, y = sheet.y[i] * at.scale - at.oy;
      if (x < bounds.min.x || x > bounds.max.x || y < bounds.min.y || y > bounds.max.y) continue;
      const own = sheet.within && { letter: textOf(sheet, i) };
      const { canvas, side } = stamp({ ...lookOf(sheet, i), ...own }, r, ratio);
      ctx.drawImage(canvas, x - side / 2, y - side / 2, side, side);
      if (r >= 5 && laidOut && laidOut[i] === "yes") {
        ctx.beginPath();
        ctx.arc(x, y, r + 3, 0, 2 * Math.PI);
        ctx.setLineDash([2, 3]);
        ctx.lineWidth = 1;
        ctx.strokeStyle = "#1d2a30";
        ctx.stroke();
      }
    }
  },
};

// Words are set last and where there is room, so that none covers another or is cut off at the edge.
// Those of a line run along it.
const setWords = (ctx, at) => {
  const taken = [], corner = map.containerPointToLayerPoint([0, 0]);
  const seen = L.bounds(corner, corner.add(map.getSize()));
  ctx.font = WORDS;
  for (const sheet of sheets) {
    if (!sheet.label || sheet.within || !isDrawn(sheet, at)) continue;
    if (sheet.wide && sheet.wide / at.metres < 8) continue;
    const aside = sheet.kind === "point" ? radius(sheet, at) + 3 : 0;
    for (let i = 0; i < sheet.n; i++) {
      const text = textOf(sheet, i);
      if (!sheet.shown[i] || !text) continue;
      const { x, y, room, turn } = anchor(sheet, i, at);
      if (!seen.contains([x, y])) continue;
      const width = ctx.measureText(text).width;
      if (width + 8 > room) continue;
      const right = Math.abs(width / 2 * Math.cos(turn)) + 7, down = Math.abs(width / 2 * Math.sin(turn)) + 7;
      const middle = aside ? x + aside + width / 2 : x;
      const box = [middle - right, y - down, middle + right, y + down];
      if (box[0] < seen.min.x || box[2] > seen.max.x || box[1] < seen.min.y || box[3] > seen.max.y) continue;
      if (taken.some((other) => box[0] < other[2] && other[0] < box[2]
                             && box[1] < other[3] && other[1] < box[3])) continue;
      taken.push(box);
      ctx.save();
      ctx.translate(middle, y);
      ctx.rotate(turn);
      haloed(ctx, text);
      ctx.restore();
    }
  }
};

// Where the words of a feature go, how many pixels there are for them, and how they are turned.
const anchor = (sheet, i, at) => {
  const a = sheet.first[i], z = sheet.first[i + 1] - 1;
  const px = (k) => sheet.x[k] * at.scale - at.ox, py = (k) => sheet.y[k] * at.scale - at.oy;
  if (sheet.kind === "point") return { x: px(a), y: py(a), room: Infinity, turn: 0 };
  if (sheet.kind === "line") {
    const dx = px(z) - px(a), dy = py(z) - py(a), turn = Math.atan2(dy, dx);
    const upright = Math.abs(turn) > Math.PI / 2 + .01 ? turn - Math.sign(turn) * Math.PI : turn;
    return { x: px(a) + dx / 2, y: py(a) + dy / 2, room: Math.hypot(dx, dy), turn: upright };
  }
  let [west, east, north] = [Infinity, -Infinity, Infinity];
  for (let k = a; k <= z; k++) {
    west = Math.min(west, px(k)); east = Math.max(east, px(k)); north = Math.min(north, py(k));
  }
  return { x: (west + east) / 2, y: north - 9, room: Math.max(60, east - west), turn: 0 };
};

// Where hundreds of points fall on each other, how many there are says more than they would.
const CELL = 48, CROWD = 90;
const crowds = (sheet, at, bounds) => {
  const cells = new Map();
  for (let i = 0; i < sheet.n; i++) {
    if (!sheet.shown[i]) continue;
    const x = sheet.x[i] * at.scale - at.ox, y = sheet.y[i] * at.scale - at.oy;
    if (x < bounds.min.x || x > bounds.max.x || y < bounds.min.y || y > bounds.max.y) continue;
    const key = Math.floor((x + at.ox) / CELL) + "," + Math.floor((y + at.oy) / CELL);
    const cell = cells.get(key) || { x: 0, y: 0, n: 0 };
    cell.x += x; cell.y += y; cell.n++;
    cells.set(key, cell);
  }
  return [...cells.values()].filter((cell) => cell.n > CROWD);
};

const paint = (ctx, bounds) => {
  const at = view();
  for (const sheet of sheets) if (isDrawn(sheet, at)) painters[sheet.kind](ctx, sheet, at, bounds);
  setWords(ctx, at);
  for (const sheet of sheets) {
    if (sheet.kind !== "point" || sheet.from || !isDrawn(sheet, at)) continue;
    for (const cell of crowds(sheet, at, bounds)) {
      ctx.save();
      ctx.translate(cell.x / cell.n, cell.y / cell.n);
      symbol(ctx, { shape: "circle", colour: "#ffffff" }, 17, String(cell.n));
      ctx.restore();
    }
  }
  if (picked) {
    const { x, y } = anchor(picked.sheet, picked.i, at);
    ctx.beginPath();
    ctx.arc(x, y, picked.sheet.kind === "point" ? radius(picked.sheet, at) + 5 : 9, 0, 2 * Math.PI);
    ctx.setLineDash([]);
    ctx.lineWidth = 3;
    ctx.strokeStyle = "#CC79A7";
    ctx.stroke();
  }
};

const Drawing = L.Renderer.extend({
  _initContainer() { this._container = document.createElement("canvas"); },
  _destroyContainer() { L.DomUtil.remove(this._container); delete this._container; },
  _updatePaths() {},
  _update() {
    if (this._map._animatingZoom && this._bounds) return;
    L.Renderer.prototype._update.call(this);
    const bounds = this._bounds, size = bounds.getSize(), ratio = devicePixelRatio || 1;
    const canvas = this._container;
    L.DomUtil.setPosition(canvas, bounds.min);
    canvas.width = size.x * ratio;
    canvas.height = size.y * ratio;
    canvas.style.width = size.x + "px";
    canvas.style.height = size.y + "px";
    const ctx = canvas.getContext("2d");
    ctx.setTransform(ratio, 0, 0, ratio, -bounds.min.x * ratio, -bounds.min.y * ratio);
    paint(ctx, bounds);
  },
});
const drawing = new Drawing({ padding: 0.15 });
const redraw = () => drawing._map && drawing._update();

// ------------------------------------------------------------------------------ picking

let picked = null, backTo = null;

const nearest = (spot) => {
  const at = view();
  let best = null, least = Infinity;
  for (const sheet of sheets) {
    if (sheet.background || !isDrawn(sheet, at)) continue;
    const reach = Math.max(NEAR, sheet.kind === "point" ? radius(sheet, at) : 0);
    const handicap = sheet.kind === "point" ? 0 : 4;
    for (let i = 0; i < sheet.n; i++) {
      if (!sheet.shown[i]) continue;
      const far = distance(sheet, i, spot, at);
      if (far <= reach && far + handicap < least) { least = far + handicap; best = { sheet, i }; }
    }
  }
  return best;
};

const distance = (sheet, i, spot, at) => {
  let least = Infinity;
  const px = (k) => sheet.x[k] * at.scale - at.ox, py = (k) => sheet.y[k] * at.scale - at.oy;
  const first = sheet.first[i], last = sheet.first[i + 1] - 1;
  if (first === last) return Math.hypot(px(first) - spot.x, py(first) - spot.y);
  for (let k = first; k < last; k++) {
    const dx = px(k + 1) - px(k), dy = py(k + 1) - py(k), long = dx * dx + dy * dy;
    const t = long ? ((spot.x - px(k)) * dx + (spot.y - py(k)) * dy) / long : 0;
    const on = Math.max(0, Math.min(1, t));
    least = Math.min(least, Math.hypot(px(k) + on * dx - spot.x, py(k) + on * dy - spot.y));
  }
  return least;
};

const element = (name, text, into) => {
  const made = document.createElement(name);
  if (text !== undefined) made.textContent = text;
  if (into) into.append(made);
  return made;
};

const about = ({ sheet, i }) => {
  const box = element("div");
  element("h3", sheet.columns.code[i], box);
  const facts = element("dl", undefined, box);
  for (const [column, heading] of sheet.told) {
    const value = sheet.columns[column][i];
    if (value === null || value === "") continue;
    element("dt", heading, facts);
    element("dd", value, facts);
  }
  const lines = sheet.history ? sheet.history[i] : [];
  if (lines.length) {
    element("h4", "History", box);
    const list = element("ol", undefined, box);
    lines.forEach((line) => element("li", line, list));
  }
  const links = Object.hasOwn(sheet.links, sheet.columns.code[i])
    ? sheet.links[sheet.columns.code[i]] : [];
  for (const [text, file] of links) element("a", text, element("p", undefined, box)).href = file;
  return box;
};

const pick = (feature, opener) => {
  const { sheet, i } = feature;
  const k = (sheet.first[i] + sheet.first[i + 1] - 1) >> 1;
  let world = L.point(sheet.x[k], sheet.y[k]);
  if (sheet.kind === "line") {
    const z = sheet.first[i + 1] - 1, a = sheet.first[i];
    world = L.point((sheet.x[a] + sheet.x[z]) / 2, (sheet.y[a] + sheet.y[z]) / 2);
  }
  const place = L.CRS.EPSG3857.pointToLatLng(world, 0);
  const popup = L.popup({ maxWidth: 300, minWidth: 220, autoPanPadding: [24, 24] })
    .setLatLng(place).setContent(about(feature));
  if (opener) {
    const close = Math.min(map.getMaxZoom(), Math.max(map.getZoom(), zoomFor(sheet)));
    map.setView(place, close, { animate: false });
    ground.scrollIntoView({ block: "nearest" });
  }
  popup.openOn(map);
  picked = feature;
  redraw();
  backTo = opener;
  if (!opener) return;
  const frame = popup.getElement();
  frame.tabIndex = -1;
  frame.setAttribute("role", "dialog");
  frame.setAttribute("aria-label", sheet.columns.code[i]);
  frame.focus({ preventScroll: true });
};

// The zoom at which symbols of a sheet have their full size.
const zoomFor = (sheet) => Math.floor(4 * Math.log2(
  EARTH_M * Math.cos(map.getCenter().lat * Math.PI / 180) * sheet.most * 2.6 / (TILE * sheet.apart))) / 4;

map.on("click", (event) => {
  const feature = nearest(event.layerPoint);
  if (feature) pick(feature);
});
map.on("zoomend", () => write());
map.on("popupclose", () => {
  picked = null;
  redraw();
  // Focus that was in the pop-up goes back to what opened it.
  if (backTo && document.activeElement === document.body) backTo.focus();
});
document.addEventListener("keydown", (event) => event.key === "Escape" && map.closePopup());

const tip = L.tooltip({ direction: "top", offset: [0, -10] });
let waiting = false;
map.on("mousemove", (event) => {
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(() => {
    waiting = false;
    const feature = nearest(event.layerPoint);
    map.getContainer().style.cursor = feature ? "pointer" : "";
    if (!feature || picked) return void tip.remove();
    const { code, cultivar } = feature.sheet.columns;
    tip.setLatLng(event.latlng).setContent(
      element("span", [code, cultivar].filter(Boolean).map((c) => c[feature.i]).join(", ")));
    map.openTooltip(tip);
  });
});
map.on("mouseout", () => tip.remove());

// ------------------------------------------------------------------------------ the panel

const legend = document.getElementById("legend");
const write = () => {
  const at = view();
  legend.replaceChildren();
  for (const sheet of sheets) {
    if (sheet.background || !sheet.n || !isDrawn(sheet, at)) continue;
    const counts = new Array(sheet.theme.looks.length).fill(0);
    for (let i = 0; i < sheet.n; i++) counts[sheet.theme.of[i]] += sheet.shown[i];
    element("h2", [sheet.name, sheet.theme.heading].filter(Boolean).join(": "), legend);
    const list = element("ul", undefined, legend);
    sheet.theme.looks.forEach((look, k) => {
      if (!counts[k]) return;
      const item = element("li", undefined, list);
      item.append(swatch(sheet, look));
      element("span", look.says || sheet.name, item);
      element("span", counts[k].toLocaleString("en"), item).className = "number";
    });
    if (sheet.kind === "point" && sheet.columns.estimated?.includes("yes"))
      element("p", "A dotted ring: its place is laid out from row and position, not measured.", legend);
  }
  const sifted = sheets.find((sheet) => sheet.filters.length && sheet.n);
  if (!sifted) return;
  const shown = sifted.shown.reduce((sum, one) => sum + one, 0);
  document.getElementById("count").textContent =
    `Shown: ${shown.toLocaleString("en")} of ${sifted.n.toLocaleString("en")} ${sifted.name}.`;
};

const swatch = (sheet, look) => {
  const canvas = document.createElement("canvas"), ratio = 2;
  canvas.width = 44 * ratio;
  canvas.height = 24 * ratio;
  canvas.setAttribute("aria-hidden", "true");
  const ctx = canvas.getContext("2d");
  ctx.scale(ratio, ratio);
  ctx.translate(22, 12);
  if (sheet.kind === "line") {
    ctx.setLineDash(DASHES[look.line]);
    ctx.lineWidth = 4;
    ctx.strokeStyle = look.colour;
    ctx.beginPath();
    ctx.moveTo(-20, 0);
    ctx.lineTo(20, 0);
    ctx.stroke();
  } else symbol(ctx, look, 9, look.letter);
  return canvas;
};

const switches = () => {
  const known = new Map();
  sheets.forEach((sheet) => sheet.background
    || sheet.themes.forEach((theme) => known.set(theme.name, theme.heading)));
  if (Math.max(0, ...sheets.map((sheet) => sheet.themes.length)) < 2) return;
  const set = element("fieldset", undefined, document.getElementById("switches"));
  element("legend", "Colour and shape by", set);
  [...known].forEach(([name, heading], k) => {
    const label = element("label", undefined, set);
    label.className = "switch";
    const button = element("input", undefined, label);
    Object.assign(button, { type: "radio", name: "theme", value: name, checked: !k });
    label.append(heading);
    button.addEventListener("change", () => {
      sheets.forEach((sheet) => {
        sheet.theme = sheet.themes.find((theme) => theme.name === name) || sheet.theme;
      });
      redraw();
      write();
    });
  });
};

const chosen = {};
const filters = () => {
  const into = document.getElementById("filters");
  const headings = new Map();
  sheets.forEach((sheet) => sheet.filters.forEach(([column, heading]) =>
    headings.set(column, heading)));
  headings.forEach((heading, column) => {
    const words = new Set();
    sheets.forEach((sheet) => sheet.filters.some(([name]) => name === column)
      && sheet.columns[column].forEach((word) => word !== null && words.add(word)));
    if (words.size < 2) return;
    const line = element("p", undefined, into), label = element("label", heading, line);
    const select = element("select", undefined, line);
    label.htmlFor = select.id = "only-" + column;
    element("option", "all", select).value = "";
    const sorted = [...words].sort((a, b) => String(a).localeCompare(String(b), "en", { numeric: true }));
    sorted.forEach((word, k) => { element("option", word, select).value = k + 1; });
    select.addEventListener("change", () => {
      if (select.value) chosen[column] = sorted[select.value - 1]; else delete chosen[column];
      sift();
    });
  });
};

const sift = () => {
  for (const sheet of sheets) {
    if (sheet.background) continue;
    const asked = sheet.filters.map(([column]) => column).filter((column) => column in chosen);
    for (let i = 0; i < sheet.n; i++)
      sheet.shown[i] = +asked.every((column) => sheet.columns[column][i] === chosen[column]);
  }
  if (picked && !picked.sheet.shown[picked.i]) map.closePopup();
  redraw();
  write();
};

const find = document.getElementById("find"), found = document.getElementById("found");
const search = () => {
  const wanted = find.value.trim().toLowerCase(), hits = [];
  found.replaceChildren();
  if (!wanted) return hits;
  for (const sheet of sheets) {
    if (sheet.background) continue;
    for (let i = 0; i < sheet.n; i++) {
      const code = String(sheet.columns.code[i]).toLowerCase();
      const rank = [code === wanted, code.startsWith(wanted), code.includes(wanted),
        String(sheet.columns.cultivar?.[i] ?? "").toLowerCase().startsWith(wanted)].indexOf(true);
      if (rank >= 0) hits.push({ sheet, i, rank });
    }
  }
  hits.sort((a, b) => a.rank - b.rank);
  hits.slice(0, MOST_FOUND).forEach((hit) => {
    const { code, cultivar } = hit.sheet.columns;
    const says = [code[hit.i], cultivar?.[hit.i]].filter(Boolean).join(", ");
    const button = element("button", says, element("li", undefined, found));
    button.type = "button";
    button.addEventListener("click", () => goTo(hit, button));
  });
  if (hits.length > MOST_FOUND) element("li", `and ${hits.length - MOST_FOUND} more`, found);
  if (!hits.length) element("li", "Nothing on this map has such a code.", found);
  return hits;
};
const goTo = (feature, opener) => {
  if (!feature.sheet.shown[feature.i]) {
    document.querySelectorAll("#filters select").forEach((select) => { select.value = ""; });
    Object.keys(chosen).forEach((column) => delete chosen[column]);
    sift();
  }
  pick(feature, opener);
};
find.addEventListener("input", search);
document.getElementById("controls").addEventListener("submit", (event) => {
  event.preventDefault();
  const [best] = search();
  if (best) goTo(best, find);
});
document.querySelectorAll("button.to").forEach((button) => button.addEventListener("click", () =>
  byCode.has(button.dataset.code) && goTo(byCode.get(button.dataset.code), button)));

// ------------------------------------------------------------------------------ the ground

const boxOf = (sheet, from = 0, to = sheet.x.length) => {
  const box = L.latLngBounds([]);
  for (let k = from; k < to; k++)
    box.extend(L.CRS.EPSG3857.pointToLatLng(L.point(sheet.x[k], sheet.y[k]), 0));
  return box;
};
// Everything that is found, and of the ground what that touches; else all of the ground.
const bounds = () => {
  const box = L.latLngBounds([]), grounds = sheets.filter((sheet) => sheet.background);
  sheets.forEach((sheet) => sheet.background || (sheet.n && box.extend(boxOf(sheet))));
  const found = L.latLngBounds(box.isValid() ? [box.getSouthWest(), box.getNorthEast()] : []);
  for (const sheet of grounds) for (let i = 0; i < sheet.n; i++) {
    const one = boxOf(sheet, sheet.first[i], sheet.first[i + 1]);
    if (!found.isValid() || found.intersects(one)) box.extend(one);
  }
  return box;
};
const North = L.Control.extend({ onAdd() {
  const box = L.DomUtil.create("div", "north");
  box.append("N", document.createElement("br"), "↑");
  return box;
} });
// Below, where it covers no pop-up: they open upwards.
map.zoomControl.setPosition("bottomright");
new North({ position: "bottomright" }).addTo(map);
L.control.scale({ imperial: told.units === "US", metric: told.units !== "US", maxWidth: 160 }).addTo(map);
map.attributionControl?.setPrefix(false);
const whole = bounds();
const showAll = () =>
  whole.isValid() && map.fitBounds(whole.pad(.06), { animate: false, maxZoom: 20 });
showAll();
const first = map.getBounds();
drawing.addTo(map);
switches();
filters();
write();

// The height that a map as wide as the paper needs to show some bounds.
const ground = document.getElementById("ground"), WIDE_MM = 180, LEAST_MM = 70, MOST_MM = 102;
const heightFor = (bounds) => {
  if (!bounds.isValid()) return "";
  const [low, high] = [bounds.getSouthWest(), bounds.getNorthEast()].map((at) => map.project(at, 20));
  const tall = 1.2 * WIDE_MM * (low.y - high.y) / Math.max(high.x - low.x, 1e-9);
  return Math.min(MOST_MM, Math.max(LEAST_MM, tall)) + "mm";
};
const size = () => map.invalidateSize({ animate: false, pan: false });
let before = null;
addEventListener("beforeprint", () => {
  const seen = map.getBounds(), all = seen.equals(first);
  before = [map.getCenter(), map.getZoom()];
  document.body.classList.add("printing");
  ground.style.height = all ? heightFor(whole) : "";
  size();
  if (all) showAll(); else map.fitBounds(seen, { animate: false });
  redraw();
});
addEventListener("afterprint", () => {
  document.body.classList.remove("printing");
  ground.style.height = "";
  size();
  map.setView(...before, { animate: false });
});

const asked = new URLSearchParams(location.hash.slice(1)).get("code");
if (byCode.has(asked)) goTo(byCode.get(asked), find);
document.body.dataset.ready = "yes";
})();
