"use strict";
// The photograph on a canvas: tiles, rings, corners to drag; fingers, mouse and keys. It knows nothing of what
// things mean: it draws what it is given and tells what was touched where, in pixels of the upright photograph.
class Picture {
  constructor(canvas, heard) {
    this.canvas = canvas;
    canvas.picture = this;
    this.pen = canvas.getContext("2d");
    this.heard = heard; // {touched(place, hole), moved(index, place), dropped()}
    this.size = null; // {width, height, tile, levels, base}
    this.holes = [];
    this.outlines = [];
    this.corners = null; // places being dragged
    this.chosen = 0; // hole number
    this.cross = null; // place for adding
    this.zoom = 1; // CSS pixels a photograph pixel
    this.left = 0; // photograph place at the canvas's top left corner
    this.top = 0;
    this.fitted = true;
    this.tiles = new Map();
    this.fingers = new Map();
    this.frame = 0;
    this.held = -1;
    new ResizeObserver(() => this.fit()).observe(canvas);
    canvas.addEventListener("pointerdown", (e) => this.down(e));
    canvas.addEventListener("pointermove", (e) => this.move(e));
    for (const kind of ["pointerup", "pointercancel"]) canvas.addEventListener(kind, (e) => this.up(e, kind));
    canvas.addEventListener("wheel", (e) => this.wheel(e), { passive: false });
    canvas.addEventListener("dblclick", (e) => { if (!this.corners) this.scaleBy(2, ...this.at(e)); });
  }

  show(size, base) {
    if (this.size && this.size.base === base) return;
    this.size = { ...size, base };
    this.tiles.clear();
    this.whole = this.load(base + "whole.jpg");
    this.fitted = true;
    this.fit();
  }

  load(address) {
    const image = new Image();
    image.decoding = "async";
    image.onload = () => this.draw();
    image.src = address;
    return image;
  }

  fit() {
    const box = this.canvas.getBoundingClientRect();
    const dense = Math.min(window.devicePixelRatio || 1, 3);
    this.canvas.width = Math.max(1, Math.round(box.width * dense));
    this.canvas.height = Math.max(1, Math.round(box.height * dense));
    this.dense = dense;
    this.wide = box.width;
    this.high = box.height;
    if (this.fitted) this.wholeView(); else this.keepIn();
    this.draw();
  }

  least() { return this.size ? 0.8 * Math.min(this.wide / this.size.width, this.high / this.size.height) : 1; }

  wholeView() {
    if (!this.size) return;
    // The seat with some room round it, or all of the picture when nothing was found.
    let box = [0, 0, this.size.width, this.size.height];
    const places = this.holes.map((h) => [h.x, h.y]).concat(...this.outlines.map((o) => o.outline));
    if (places.length > 2) {
      const xs = places.map((p) => p[0]), ys = places.map((p) => p[1]);
      const room = 0.06 * (Math.max(...xs) - Math.min(...xs));
      box = [Math.min(...xs) - room, Math.min(...ys) - room, Math.max(...xs) + room, Math.max(...ys) + room];
    }
    const high = this.high - 54; // the buttons stand below
    this.zoom = Math.max(this.least(), Math.min(this.wide / (box[2] - box[0]), high / (box[3] - box[1])));
    this.left = (box[0] + box[2]) / 2 - this.wide / this.zoom / 2;
    this.top = (box[1] + box[3]) / 2 - high / this.zoom / 2;
    this.fitted = true;
    this.keepIn();
    this.draw();
  }

  keepIn() {
    if (!this.size) return;
    this.zoom = Math.min(Math.max(this.zoom, this.least()), 12);
    const out = this.corners ? 0.6 : 0.1; // how far past the edge the view may go, in views
    const clamp = (at, seen, all) => (seen >= all && !this.corners ? (all - seen) / 2
      : Math.min(Math.max(at, Math.min(-out * seen, all - (1 - out) * seen)), Math.max(all - (1 - out) * seen, -out * seen)));
    this.left = clamp(this.left, this.wide / this.zoom, this.size.width);
    this.top = clamp(this.top, this.high / this.zoom, this.size.height);
  }

  scaleBy(factor, x, y) {
    const px = this.wide / 2, py = this.high / 2;
    const [cx, cy] = x === undefined ? [px, py] : [x, y];
    const before = this.place(cx, cy);
    this.zoom *= factor;
    this.zoom = Math.min(Math.max(this.zoom, this.least()), 12);
    this.left = before[0] + 0.5 - cx / this.zoom;
    this.top = before[1] + 0.5 - cy / this.zoom;
    this.fitted = false;
    this.keepIn();
    this.draw();
  }

  moveBy(dx, dy) {
    this.left += dx / this.zoom;
    this.top += dy / this.zoom;
    this.fitted = false;
    this.keepIn();
    this.draw();
  }

  goTo(x, y, zoom) {
    if (!this.size) return;
    this.zoom = Math.max(zoom || this.zoom, this.least());
    this.left = x - this.wide / this.zoom / 2;
    this.top = y - this.high / this.zoom / 2;
    this.fitted = false;
    this.keepIn();
    this.draw();
  }

  middle() { return this.place(this.wide / 2, this.high / 2); }

  // Canvas CSS pixels to photograph pixels and back; pixel centres are whole numbers in the photograph.
  place(x, y) { return [this.left + x / this.zoom - 0.5, this.top + y / this.zoom - 0.5]; }

  spot(px, py) { return [(px + 0.5 - this.left) * this.zoom, (py + 0.5 - this.top) * this.zoom]; }

  at(e) {
    const box = this.canvas.getBoundingClientRect();
    return [e.clientX - box.left, e.clientY - box.top];
  }

  down(e) {
    if (e.button) return;
    this.canvas.setPointerCapture(e.pointerId);
    const at = this.at(e);
    this.fingers.set(e.pointerId, { at, from: at, still: true });
    if (this.fingers.size === 1) {
      this.held = this.cornerAt(at);
      if (this.held >= 0) {
        const c = this.spot(...this.corners[this.held]);
        this.grip = [at[0] - c[0], at[1] - c[1]];
      }
    } else {
      this.held = -1;
      for (const f of this.fingers.values()) f.still = false;
    }
  }

  move(e) {
    const finger = this.fingers.get(e.pointerId);
    if (!finger) return;
    const now = this.at(e);
    const [dx, dy] = [now[0] - finger.at[0], now[1] - finger.at[1]];
    if (Math.hypot(now[0] - finger.from[0], now[1] - finger.from[1]) > 6) finger.still = false;
    if (this.held >= 0) {
      finger.at = now;
      this.setCorner(this.held, this.place(now[0] - this.grip[0], now[1] - this.grip[1]));
      return;
    }
    if (this.fingers.size === 1) {
      if (!finger.still) this.moveBy(-dx, -dy);
      if (!finger.still) finger.at = now;
      return;
    }
    const [a, b] = [...this.fingers.values()];
    const before = Math.hypot(a.at[0] - b.at[0], a.at[1] - b.at[1]);
    const middle = [(a.at[0] + b.at[0]) / 2, (a.at[1] + b.at[1]) / 2];
    finger.at = now;
    const after = Math.hypot(a.at[0] - b.at[0], a.at[1] - b.at[1]);
    const moved = [(a.at[0] + b.at[0]) / 2 - middle[0], (a.at[1] + b.at[1]) / 2 - middle[1]];
    if (before > 1) this.scaleBy(after / before, ...middle);
    this.moveBy(-moved[0], -moved[1]);
  }

  up(e, kind) {
    const finger = this.fingers.get(e.pointerId);
    this.fingers.delete(e.pointerId);
    if (!finger) return;
    if (this.held >= 0) {
      this.held = -1;
      this.draw();
      this.heard.dropped();
      return;
    }
    if (kind === "pointerup" && finger.still && !this.corners) {
      const place = this.place(...finger.from);
      this.heard.touched(place, this.holeAt(finger.from, e.pointerType === "touch" ? 22 : 8));
    }
  }

  wheel(e) {
    e.preventDefault();
    const step = e.deltaMode === 1 ? 33 * e.deltaY : e.deltaY;
    this.scaleBy(Math.exp(-Math.max(-300, Math.min(300, step)) * 0.0022), ...this.at(e));
  }

  holeAt(at, slack) {
    let best = null, least = Infinity;
    for (const h of this.holes) {
      const s = this.spot(h.x, h.y);
      const away = Math.hypot(s[0] - at[0], s[1] - at[1]);
      if (away < Math.max(h.rx * this.zoom + 4, slack) && away < least) { best = h; least = away; }
    }
    return best;
  }

  // A corner is held by a knob beside it, so that a finger does not hide what it moves.
  knob(i) {
    const c = this.spot(...this.corners[i]);
    const n = this.corners.length;
    const middle = this.corners.reduce((m, p) => [m[0] + p[0] / n, m[1] + p[1] / n], [0, 0]);
    const m = this.spot(...middle);
    const away = Math.hypot(c[0] - m[0], c[1] - m[1]) || 1;
    return [c[0] + (44 * (c[0] - m[0])) / away, c[1] + (44 * (c[1] - m[1])) / away];
  }

  cornerAt(at) {
    if (!this.corners) return -1;
    let best = -1, least = 30;
    this.corners.forEach((c, i) => {
      for (const s of [this.knob(i), this.spot(...c)]) {
        const away = Math.hypot(s[0] - at[0], s[1] - at[1]);
        if (away < least) { best = i; least = away; }
      }
    });
    return best;
  }

  setCorner(i, place) {
    // A corner of a thing that is cut off may lie beyond the edge; an end of a length has to be seen.
    const out = this.corners.length > 2 ? 0.5 : 0;
    this.corners[i] = [
      Math.min(Math.max(place[0], -out * this.size.width), (1 + out) * this.size.width - 1),
      Math.min(Math.max(place[1], -out * this.size.height), (1 + out) * this.size.height - 1),
    ];
    this.heard.moved(i, this.corners[i]);
    this.draw();
  }

  draw() {
    if (!this.frame) this.frame = requestAnimationFrame(() => { this.frame = 0; this.paint(); });
  }

  paint() {
    const pen = this.pen;
    pen.setTransform(this.dense, 0, 0, this.dense, 0, 0);
    pen.fillStyle = "#26231f";
    pen.fillRect(0, 0, this.wide, this.high);
    if (!this.size) return;
    this.paintPhoto(pen, this.left, this.top, this.zoom, this.wide, this.high);
    for (const o of this.outlines) this.line(pen, o.outline, "#fff", true);
    const numbers = this.numberStep();
    for (const h of this.holes) this.ring(pen, h, numbers);
    if (this.cross) this.paintCross(pen);
    if (this.corners) this.paintCorners(pen);
  }

  paintPhoto(pen, left, top, zoom, wide, high) {
    const s = this.size;
    pen.imageSmoothingEnabled = zoom * this.dense < 3;
    const put = (image, x, y, w, h) => pen.drawImage(image, (x - left) * zoom, (y - top) * zoom, w * zoom, h * zoom);
    if (this.whole && this.whole.complete && this.whole.naturalWidth) put(this.whole, 0, 0, s.width, s.height);
    const level = Math.min(Math.max(Math.floor(Math.log2(1 / (zoom * this.dense)) + 0.25), 0), s.levels - 1);
    if (level === s.levels - 1) return;
    const step = s.tile * 2 ** level;
    const last = [Math.ceil(s.width / step) - 1, Math.ceil(s.height / step) - 1];
    for (let row = Math.max(0, Math.floor(top / step)); row <= Math.min(last[1], Math.floor((top + high / zoom) / step)); row++) {
      for (let col = Math.max(0, Math.floor(left / step)); col <= Math.min(last[0], Math.floor((left + wide / zoom) / step)); col++) {
        const key = `${level}/${col}/${row}`;
        let image = this.tiles.get(key);
        if (image) this.tiles.delete(key); else image = this.load(`${s.base}${key}.jpg`);
        this.tiles.set(key, image); // the one used last stands last
        if (image.complete && image.naturalWidth) {
          // Levels are rounded up to whole pixels: a tile covers exactly its own pixels, each 2^level wide.
          put(image, col * step, row * step, image.naturalWidth * 2 ** level, image.naturalHeight * 2 ** level);
        }
      }
    }
    while (this.tiles.size > 90) this.tiles.delete(this.tiles.keys().next().value);
  }

  numberStep() {
    if (this.holes.length < 2) return 1;
    const gaps = this.holes.slice(1).map((h, i) => Math.hypot(h.x - this.holes[i].x, h.y - this.holes[i].y)).sort((a, b) => a - b);
    const room = gaps[gaps.length >> 1] * this.zoom;
    return room > 26 ? 1 : room > 12 ? 5 : 10;
  }

  line(pen, places, colour, closed) {
    pen.beginPath();
    places.forEach((p, i) => pen[i ? "lineTo" : "moveTo"](...this.spot(...p)));
    if (closed && places.length > 2) pen.closePath();
    for (const [c, w] of [["#191919", 4], [colour, 2]]) { pen.strokeStyle = c; pen.lineWidth = w; pen.stroke(); }
  }

  ring(pen, h, every) {
    const [x, y] = this.spot(h.x, h.y);
    const rx = Math.max(h.rx * this.zoom, 4), ry = Math.max(h.ry * this.zoom, 4);
    if (x < -40 || y < -40 || x > this.wide + 40 || y > this.high + 40) return;
    const chosen = h.n === this.chosen;
    const colour = h.pending ? "#ffffff" : chosen ? "#ffd24a" : h.doubtful ? "#ff8a4d" : "#7fe3ff";
    pen.setLineDash(h.pending ? [2, 3] : h.status === "hidden" ? [4, 4] : []);
    pen.beginPath();
    pen.ellipse(x, y, rx, ry, h.turn, 0, 2 * Math.PI);
    for (const [c, w] of [["#191919", chosen ? 6 : 4], [colour, chosen ? 3.5 : 2]]) { pen.strokeStyle = c; pen.lineWidth = w; pen.stroke(); }
    pen.setLineDash([]);
    const marks = [];
    if (h.status === "blocked") marks.push([[-0.6, -0.6], [0.6, 0.6]], [[-0.6, 0.6], [0.6, -0.6]]);
    if (h.doubtful) marks.push([[0, -1.6], [1.6, 0], [0, 1.6], [-1.6, 0], [0, -1.6]]);
    for (const mark of marks) {
      pen.beginPath();
      mark.forEach((p, i) => pen[i ? "lineTo" : "moveTo"](x + p[0] * rx, y + p[1] * rx));
      for (const [c, w] of [["#191919", 4], [colour, 2]]) { pen.strokeStyle = c; pen.lineWidth = w; pen.stroke(); }
    }
    if (h.n && (chosen || h.n === 1 || h.n % every === 0)) {
      pen.font = `600 ${chosen ? 15 : 12}px system-ui, sans-serif`;
      pen.textAlign = "center";
      pen.textBaseline = "middle";
      pen.lineWidth = 3.5;
      pen.strokeStyle = "#191919";
      pen.fillStyle = chosen ? "#ffd24a" : "#fff";
      const [tx, ty] = this.beside(h, Math.max(rx, ry) + 11);
      pen.strokeText(h.n, x + tx, y + ty);
      pen.fillText(h.n, x + tx, y + ty);
    }
  }

  // Away from the middle of the seat, so that numbers stand outside the row.
  beside(h, reach) {
    const n = this.holes.length;
    if (!this.centre || this.centre.of !== this.holes) {
      this.centre = { of: this.holes, x: this.holes.reduce((s, k) => s + k.x, 0) / n, y: this.holes.reduce((s, k) => s + k.y, 0) / n };
    }
    const dx = h.x - this.centre.x, dy = h.y - this.centre.y, away = Math.hypot(dx, dy) || 1;
    return [(reach * dx) / away, (reach * dy) / away];
  }

  paintCross(pen) {
    const [x, y] = this.spot(...this.cross);
    pen.beginPath();
    for (const [a, b] of [[-18, -4], [4, 18]]) { pen.moveTo(x + a, y); pen.lineTo(x + b, y); pen.moveTo(x, y + a); pen.lineTo(x, y + b); }
    for (const [c, w] of [["#191919", 5], ["#ffd24a", 2.5]]) { pen.strokeStyle = c; pen.lineWidth = w; pen.stroke(); }
  }

  paintCorners(pen) {
    this.line(pen, this.corners, "#ffd24a", true);
    this.corners.forEach((c, i) => {
      const s = this.spot(...c), k = this.knob(i);
      pen.beginPath();
      pen.moveTo(...s);
      pen.lineTo(...k);
      pen.strokeStyle = "#ffd24a";
      pen.lineWidth = 2;
      pen.stroke();
      pen.beginPath();
      pen.arc(k[0], k[1], 17, 0, 2 * Math.PI);
      pen.fillStyle = this.held === i ? "#ffd24a" : "rgba(25, 25, 25, .85)";
      pen.fill();
      pen.stroke();
      pen.font = "700 14px system-ui, sans-serif";
      pen.textAlign = "center";
      pen.textBaseline = "middle";
      pen.fillStyle = this.held === i ? "#191919" : "#fff";
      pen.fillText(i + 1, k[0], k[1]);
    });
    if (this.held >= 0) this.paintGlass(pen, this.corners[this.held]);
  }

  // A magnifying glass in the corner of the canvas away from the finger.
  paintGlass(pen, place) {
    const r = Math.min(70, this.wide / 5), zoom = Math.max(4 * this.zoom, 2);
    const s = this.spot(...place);
    const x = s[0] > this.wide / 2 ? r + 8 : this.wide - r - 8, y = r + 8;
    pen.save();
    pen.beginPath();
    pen.arc(x, y, r, 0, 2 * Math.PI);
    pen.fillStyle = "#26231f";
    pen.fill();
    pen.clip();
    pen.translate(x - r, y - r);
    this.paintPhoto(pen, place[0] + 0.5 - r / zoom, place[1] + 0.5 - r / zoom, zoom, 2 * r, 2 * r);
    pen.restore();
    pen.beginPath();
    pen.arc(x, y, r, 0, 2 * Math.PI);
    pen.moveTo(x - 12, y);
    pen.lineTo(x + 12, y);
    pen.moveTo(x, y - 12);
    pen.lineTo(x, y + 12);
    pen.strokeStyle = "#ffd24a";
    pen.lineWidth = 2;
    pen.stroke();
  }
}
