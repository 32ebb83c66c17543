// The page: reads its data, draws a stage at a step, and shows the figures the check found. It reckons no gap.
import { AmbientLight, Color, DirectionalLight, Raycaster, Scene, Vector2, Vector3, Vector4, WebGLRenderer } from "three";
import { control, Look, nudge } from "./camera.js";
import { live } from "./live.js";
import { Measure } from "./measure.js";
import { Overlay } from "./overlay.js";
import { Drawer } from "./parts.js";
import { fillGaps, fillLayers, fillMarks, fillStages, setUnits } from "./panel.js";
import { Splat } from "./splat.js";
import { layerOf, StageView } from "./stage.js";
import { lookFrom } from "./views.js";
import { Zones } from "./zones.js";

const $ = (id) => document.getElementById(id);
const root = document.documentElement;
const data = JSON.parse($("data").textContent);

const state = {
  stage: data.worst, step: 0, view: "3d", units: "m", theme: "light",
  layers: { labels: true, gaps: true, others: false }, row: null, leg: null,
};

const COLOURS = {
  light: { ink: "#1c1c1c", paper: "#ffffff", sky: 0xf2f4f6 },
  dark: { ink: "#f2f2f2", paper: "#15191d", sky: 0x15191d },
};

// Kinds that bear their names, those first that are named before others where there is no room for all.
const NAMED = {
  worker: 0, ladder: 1, "insulating boom": 1, boom: 1, wire: 2, rope: 3, crew: 4, vehicle: 5, structure: 6,
};

const COARSE = 0.5, REST_MS = 250;

class Page {
  constructor(renderer) {
    this.renderer = renderer;
    this.scene = new Scene();
    this.look = new Look();
    // Drawn without a graphics card, the picture is coarse while it moves and fine once it rests.
    this.software = root.dataset.software === "true";
    this.fineness = 1;
    this.resting = 0;
    this.drawer = new Drawer(this.software);
    this.splat = this.software ? new Splat(this.scene) : null;
    this.port = new Vector4();
    this.overlay = new Overlay($("overlay"));
    this.view = new StageView(this.scene, this.drawer, data);
    this.zones = new Zones(this.scene, data, () => this.request());
    this.measure = new Measure(data);
    this.scene.add(new AmbientLight(0xffffff, 1.5));
    this.sun = new DirectionalLight(0xffffff, 1.8);
    this.scene.add(this.sun);
    this.waiting = false;
    this.frames = 0;
    this.live = null;
  }

  get stage() { return data.stages[state.stage]; }
  get step() { return this.live?.step ?? this.stage.steps[state.step]; }
  get rows() { return this.live?.step?.found ?? this.stage.rows; }

  // What is recorded at this step, and which of it is drawn.
  get here() {
    if (this.live?.step) return this.live.step.govern ?? [];
    return this.step.rows ?? [];
  }

  request() {
    if (this.software) {
      clearTimeout(this.resting);
      this.resting = setTimeout(() => { this.refine(1); this.render(); }, REST_MS);
    }
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => { this.waiting = false; if (this.software) this.refine(COARSE); this.render(); });
  }

  refine(fineness) {
    if (fineness === this.fineness) return;
    this.fineness = fineness;
    this.renderer.setPixelRatio(this.ratio * fineness);
  }

  resize() {
    root.style.setProperty("--head", `${document.querySelector("header").offsetHeight}px`);
    this.fit();
    this.request();
  }

  room() {
    const box = $("frame").getBoundingClientRect();
    return [Math.max(200, Math.floor(box.width)), Math.max(200, Math.floor(box.height))];
  }

  fit() {
    const [width, height] = this.room();
    const ratio = this.software ? 1 : Math.min(window.devicePixelRatio || 1, 2);
    this.ratio = ratio;
    this.renderer.setPixelRatio(ratio * this.fineness);
    this.renderer.setSize(width, height);
    this.overlay.resize(width, height, ratio);
    this.look.resize(width, height);
    this.drawer.setSize(width, height);
    this.view.setSize(width, height);
    this.under = null;
  }

  blocked() {
    // Where buttons lie over the picture: labels keep away. They stay where they are until the size changes.
    if (this.under) return this.under;
    const frame = $("canvas").getBoundingClientRect();
    this.under = [...document.querySelectorAll("#frame .over")].filter((e) => e.offsetParent !== null).map((e) => {
      const b = e.getBoundingClientRect();
      return { left: b.left - frame.left - 4, top: b.top - frame.top - 4, right: b.right - frame.left + 4, bottom: b.bottom - frame.top + 4 };
    });
    return this.under;
  }

  drawnRows() {
    const found = [];
    if (state.layers.gaps) {
      for (const k of this.here) if (this.rows[k].air) found.push({ row: this.rows[k], k, other: false });
    }
    if (state.layers.others && !this.live) {
      for (const k of this.stage.govern) {
        if (!this.here.includes(k) && this.rows[k].air) found.push({ row: this.rows[k], k, other: true });
      }
    }
    if (this.live?.hidden) return [];
    // Where one and the same line carries several figures, the one with the least margin speaks for it.
    const seen = new Map();
    const alone = state.view === "true" ? (state.row ?? this.here[0] ?? null) : null;
    if (alone !== null && this.rows[alone]?.air) return [{ row: this.rows[alone], k: alone, other: false }];
    for (const item of found) {
      const key = JSON.stringify(item.row.air);
      const old = seen.get(key);
      const chosen = state.row === item.k;
      if (!old || chosen || (old.k !== state.row && margin(item.row) < margin(old.row))) seen.set(key, item);
    }
    return [...seen.values()].sort((a, b) => margin(a.row) - margin(b.row));
  }

  setStage(number) {
    state.stage = number;
    state.step = 0;
    state.row = null;
    this.view.setStage(this.stage);
    fillMarks(this.stage);
    $("stage").value = String(number);
    this.live?.setStage(number);
    this.zones.setStage(number);
    this.setStep(0);
    fillGaps($("govern"), this.stage.rows, this.stage.govern, state, { jump: (k) => this.jump(k) });
    $("word").dataset.word = this.stage.word;
    $("word").textContent = `${this.stage.sign} ${this.stage.word}`;
    $("range").textContent = this.stage.ranges[state.units];
    // The next stage may be at another place.
    this.setView(state.view === "true" ? "3d" : state.view);
  }

  setStep(number) {
    state.step = Math.max(0, Math.min(this.stage.steps.length - 1, number));
    state.row = null;
    this.shown();
  }

  shown() {
    this.view.setStep(this.step, state.step);
    this.told();
    // The eye follows the worker; a true-length view holds only for the line it was made for.
    if (state.view === "eye" || state.view === "true") this.setView(state.view === "true" ? "3d" : "eye");
    this.request();
  }

  told() {
    // The step in words.
    const where = this.step.where[state.units];
    const reach = this.here.some((k) => this.rows[k].reach);
    $("step").max = String(this.stage.steps.length - 1);
    $("step").value = String(state.step);
    const said = this.here.length ? "recorded instant" : "between recorded instants";
    $("step").setAttribute("aria-valuetext", `step ${state.step + 1} of ${this.stage.steps.length}, ${said}: ${where}`);
    $("steptext").textContent = this.live
      ? where
      : `Step ${state.step + 1} of ${this.stage.steps.length}${this.here.length ? " ◆ recorded instant" : ""}: ${where}`;
    root.dataset.stage = String(state.stage);
    root.dataset.step = String(state.step);
    this.reach = reach;
    if (!this.live?.hidden) {
      fillGaps($("here"), this.rows, this.here, state, {
        jump: (k) => this.select(k), legs: (k, leg) => this.trueLength(k, leg), instant: true, live: Boolean(this.live),
      });
    }
    $("nothing").hidden = this.here.length > 0 || Boolean(this.live);
  }

  select(k) {
    state.row = state.row === k ? null : k;
    this.told();
    this.request();
  }

  jump(k) {
    // To the step at which a figure of the stage was recorded.
    const row = this.stage.rows[k];
    if (row.step === null || row.step === undefined) return;
    if (this.live) { this.live.moveTo(this.stage.steps[row.step].at); return; }
    this.setStep(row.step);
    state.row = k;
    this.told();
  }

  worst() {
    this.setStage(data.worst);
    if (this.stage.lead !== null) this.jump(this.stage.lead);
  }

  setView(name, leg = null) {
    // In true length, one stretch of air: the one asked for, else the longest.
    state.view = name;
    state.leg = leg;
    const done = lookFrom(this.look, name, {
      data, stage: this.stage, step: this.step, number: state.step, rows: this.rows, here: this.here, row: state.row,
      leg, view: this.view,
    });
    for (const button of document.querySelectorAll("[data-view]")) {
      button.setAttribute("aria-pressed", String(button.dataset.view === name));
    }
    $("caption").textContent = done;
    root.dataset.look = name;
    this.request();
  }

  trueLength(k, leg) {
    state.row = k;
    this.told();
    this.setView("true", leg);
  }

  setTheme(theme) {
    state.theme = theme;
    root.dataset.theme = theme;
    $("theme").textContent = theme === "light" ? "Dark page" : "Light page";
    this.drawer.setTheme(theme);
    this.scene.background = new Color(COLOURS[theme].sky);
    this.request();
  }

  setUnits(units) {
    state.units = units;
    setUnits(units);
    $("range").textContent = this.stage.ranges[units];
    fillGaps($("govern"), this.stage.rows, this.stage.govern, state, { jump: (k) => this.jump(k) });
    this.measure.say(units);
    this.told();
    this.live?.setUnits?.(units);
    this.request();
  }

  labels() {
    if (!state.layers.labels) return [];
    const found = [];
    const box = new Vector3();
    for (const object of [...this.view.root.children, ...this.view.bent.children]) {
      if (!object.visible) continue;
      const { kind, name, potential } = object.userData;
      if (!(kind in NAMED)) continue;
      if (kind === "worker" && state.view === "eye") continue;
      const at = anchor(object, box, this.look.target).clone();
      const words = kind === "wire" ? `${name} (${potential.split(";")[0]})` : name;
      found.push({ at, text: words, order: NAMED[kind], near: at.distanceTo(this.look.target) });
    }
    found.sort((a, b) => a.order - b.order || a.near - b.near);
    return found.slice(0, this.look.width < 800 ? 9 : 15);
  }

  render() {
    // A line more or less of words below the picture moves its lower edge, and the buttons there.
    const [width, height] = this.room();
    if (width !== this.look.width || height !== this.look.height) this.fit();
    const colours = { ...COLOURS[state.theme], words: data.colours };
    const layers = { ...state.layers };
    if (!this.reach) layers.reach = state.layers.reach === "always";
    this.view.show(layers, state.view === "eye");
    const rows = this.drawnRows();
    // The least margin last, on top of the others.
    this.view.setLines([...rows].reverse(), colours.ink, state.theme);
    this.zones.show(!this.live?.hidden);
    const camera = this.look.camera;
    this.sun.position.copy(camera.position).add(new Vector3(5, -8, 20));
    this.sun.target.position.copy(this.look.target);
    this.sun.target.updateMatrixWorld();
    this.detail(camera);
    this.renderer.render(this.scene, camera);
    const gaps = rows.map(({ row, k, other }, place) => {
      const { ends, middle, longest } = this.view.placesOf(row);
      if (state.view === "true" && row.air.length > 1) {
        const leg = Math.min(state.leg ?? longest, row.air.length - 1), pair = ends.slice(2 * leg, 2 * leg + 2);
        const text = `${row.sign} ${row.short}, stretch ${leg + 1} of ${row.air.length}: ${row.lengths[state.units][leg]} of ${row[state.units][0]} ${state.units}`;
        return { word: row.word, ends: pair, line: pair, middle: pair[0].clone().add(pair[1]).multiplyScalar(0.5), text };
      }
      const whole = place < 3 || k === state.row || row.word !== "clear of limit";
      return { word: row.word, ends: other ? [] : ends, line: ends, middle, text: gapText(row, other, whole) };
    });
    this.overlay.draw(this.look, colours, {
      gaps, labels: this.labels(), measured: this.measure.shown(state.units),
      north: this.look.mode === "flat" && Math.abs(this.look.right.y) + Math.abs(this.look.up.y) > 0.5 && this.look.up.z < 0.5 ? data.north : null,
      unit: state.units === "m" ? { name: "m", metres: 1 } : { name: "ft", metres: data.foot_m },
      blocked: this.blocked(), aim: this.measure.on,
    });
    this.frames += 1;
    root.dataset.frames = String(this.frames);
  }

  detail(camera) {
    // While the picture is coarse, all scan points are put into it at once.
    if (!this.splat) return;
    const moving = this.fineness < 1, clouds = moving ? this.view.clouds.filter((cloud) => cloud.parent.visible) : [];
    this.view.refine(!moving);
    this.splat.object.visible = clouds.length > 0;
    if (!clouds.length) return;
    const { width, height } = this.renderer.domElement, { z: wide, w: high } = this.renderer.getCurrentViewport(this.port);
    this.splat.draw(clouds, camera, { width, height, wide, high }, this.drawer.dots().color);
  }

  pick(x, y) {
    // The drawn point under the pointer, for measuring; null where there is none.
    this.view.refine(true);
    const caster = new Raycaster();
    caster.params.Points.threshold = 0.15;
    caster.params.Line2 = { threshold: 8 };
    caster.setFromCamera(new Vector2((2 * x) / this.look.width - 1, 1 - (2 * y) / this.look.height), this.look.camera);
    const seen = [...this.view.root.children, ...this.view.bent.children]
      .filter((o) => o.visible && !["lead", "reach envelope"].includes(o.userData.kind));
    const found = caster.intersectObjects(seen, true).find((hit) => hit.object.visible && hit.object.type !== "LineSegments");
    return found ? { at: found.point, name: found.object.userData.name } : null;
  }

  tapped(x, y) {
    if (!this.measure.on) return;
    this.measure.take(this.pick(x, y));
    this.measure.say(state.units);
    this.request();
  }

  picture() {
    // What is seen now, labels too, as a file.
    this.refine(1);
    this.render();
    const made = document.createElement("canvas");
    made.width = $("canvas").width; made.height = $("canvas").height;
    const c = made.getContext("2d");
    c.drawImage($("canvas"), 0, 0);
    c.drawImage($("overlay"), 0, 0);
    made.toBlob((blob) => {
      const link = document.createElement("a");
      link.href = URL.createObjectURL(blob);
      link.download = `${this.stage.name.replace(/[^\w-]+/g, "-")}-${state.view}.png`;
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 1000);
    });
  }
}

function margin(row) { return row.exact.margin ?? Infinity; }

function gapText(row, other, whole) {
  const u = state.units, [gap, limit, spare, short] = row[u];
  const parts = row.air.length > 1 ? ` in ${row.air.length} stretches` : "";
  const judged = !whole || limit === "none" ? "" : short ? `, limit ${limit} ${u}, short by ${short} ${u}` : `, limit ${limit} ${u}, margin ${spare} ${u}`;
  const word = row.word === "clear of limit" ? "" : ` ${row.word}:`;
  return `${row.sign}${word} ${row.short} ${gap} ${u}${parts}${judged}${other ? " (at another instant)" : ""}`;
}

function anchor(object, box, target) {
  // A place on the part that is near what is looked at: the nearest corner of its drawn geometry.
  let best = Infinity;
  const found = box.set(0, 0, 0), v = new Vector3();
  object.updateMatrixWorld();
  object.traverse((child) => {
    const position = child.isMesh && !child.isLineSegments2 ? child.geometry.getAttribute("position") : null;
    if (!position) return;
    const stride = Math.max(1, Math.floor(position.count / 200));
    for (let i = 0; i < position.count; i += stride) {
      v.fromBufferAttribute(position, i).applyMatrix4(child.matrixWorld);
      const d = v.distanceToSquared(target);
      if (d < best) { best = d; found.copy(v); }
    }
  });
  return found;
}

function fromAddress(page) {
  // "#stage=3&step=12&view=plan&units=ft&theme=dark": a place to go to, for links and for tests.
  const asked = new URLSearchParams(location.hash.slice(1));
  if (asked.has("theme")) page.setTheme(asked.get("theme") === "dark" ? "dark" : "light");
  if (asked.has("units")) page.setUnits(asked.get("units") === "ft" ? "ft" : "m");
  if (asked.has("stage")) page.setStage(Math.max(0, Math.min(data.stages.length - 1, Number(asked.get("stage")) || 0)));
  if (asked.has("step")) page.setStep(Number(asked.get("step")) || 0);
  if (asked.has("row")) page.jump(Number(asked.get("row")) || 0);
  if (asked.has("view")) page.setView(asked.get("view"), asked.has("leg") ? Number(asked.get("leg")) || 0 : null);
}

function keys(page) {
  const ways = { ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down", "+": "in", "=": "in", "-": "out" };
  const views = { 1: "3d", 2: "plan", 3: "elevation", 4: "section", 5: "eye", 6: "true" };
  $("canvas").addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const key = event.key;
    if (ways[key]) { nudge(page.look, ways[key]); page.request(); }
    else if (views[key]) page.setView(views[key]);
    else if (key === "," || key === "PageDown") page.setStep(state.step - 1);
    else if (key === "." || key === "PageUp") page.setStep(state.step + 1);
    else if (key === "Home") page.setStep(0);
    else if (key === "End") page.setStep(page.stage.steps.length - 1);
    else if (key === "w") page.worst();
    else if (key === "m") $("measure").click();
    else if (key === "l") $("layer-labels").click();
    else if (key === "Enter" && page.measure.on) page.tapped(page.look.width / 2, page.look.height / 2);
    else return;
    event.preventDefault();
  });
}

function wire(page) {
  $("stage").addEventListener("change", () => page.setStage(Number($("stage").value)));
  $("step").addEventListener("input", () => page.setStep(Number($("step").value)));
  const go = { first: () => 0, prev: () => state.step - 1, next: () => state.step + 1, last: () => Infinity };
  for (const [id, to] of Object.entries(go)) $(id).addEventListener("click", () => page.setStep(to()));
  $("worst").addEventListener("click", () => page.worst());
  for (const button of document.querySelectorAll("[data-view]")) {
    button.addEventListener("click", () => page.setView(button.dataset.view));
  }
  for (const button of document.querySelectorAll("[data-way]")) {
    button.addEventListener("click", () => { nudge(page.look, button.dataset.way); page.request(); });
  }
  $("theme").addEventListener("click", () => page.setTheme(state.theme === "light" ? "dark" : "light"));
  for (const radio of document.querySelectorAll("[name=units]")) {
    radio.addEventListener("change", () => page.setUnits(radio.value));
  }
  $("picture").addEventListener("click", () => page.picture());
  $("measure").addEventListener("click", () => {
    page.measure.toggle();
    $("measure").setAttribute("aria-pressed", String(page.measure.on));
    $("aimed").hidden = !page.measure.on;
    page.measure.say(state.units);
    page.request();
  });
  $("aimed").addEventListener("click", () => page.tapped(page.look.width / 2, page.look.height / 2));
  fillLayers(data, state, () => { page.told(); page.request(); });
  control($("canvas"), page.look, { changed: () => page.request(), tapped: (x, y) => page.tapped(x, y) });
  keys(page);
  // Also where words above or below take another line.
  new ResizeObserver(() => page.resize()).observe($("frame"));
  addEventListener("resize", () => page.resize());
  addEventListener("hashchange", () => fromAddress(page));
  for (const row of document.querySelectorAll("tr[data-row]")) {
    const button = row.querySelector("button");
    button?.addEventListener("click", () => {
      const [stage, k] = row.dataset.row.split(" ").map(Number);
      page.setStage(stage);
      page.jump(k);
      $("viewer").scrollIntoView();
      $("canvas").focus({ preventScroll: true });
    });
  }
}

function drawnBySoftware() {
  // Without a graphics card smooth edges cost more than they are worth: the steps would stutter.
  const gl = document.createElement("canvas").getContext("webgl2");
  if (!gl) return false;
  const named = gl.getExtension("WEBGL_debug_renderer_info");
  const name = String(gl.getParameter(named ? named.UNMASKED_RENDERER_WEBGL : gl.RENDERER));
  gl.getExtension("WEBGL_lose_context")?.loseContext();
  return /swiftshader|llvmpipe|softpipe|software|basic render/i.test(name);
}

function renderer() {
  // WebGL may be missing, or refuse: the tables and the drawings then stand alone.
  try {
    const software = drawnBySoftware();
    root.dataset.software = String(software);
    // An opaque picture need not be blended with the page behind it.
    const context = $("canvas").getContext("webgl2", { alpha: false, antialias: !software, stencil: false });
    if (!context || context.isContextLost()) return null;
    return new WebGLRenderer({ canvas: $("canvas"), context });
  } catch {
    return null;
  }
}

function start() {
  if (data.format !== 1) throw new Error(`page data of format ${data.format}`);
  for (const element of document.querySelectorAll(".scripted")) element.hidden = false;
  const made = location.hash.includes("nogl") ? null : renderer();
  if (made === null) {
    root.dataset.gl = "off";
    $("viewer").hidden = true;
    $("nogl").hidden = false;
    for (const details of document.querySelectorAll("#drawings details")) details.open = true;
    $("theme").addEventListener("click", () => {
      root.dataset.theme = root.dataset.theme === "light" ? "dark" : "light";
      $("theme").textContent = root.dataset.theme === "light" ? "Dark page" : "Light page";
    });
    for (const radio of document.querySelectorAll("[name=units]")) {
      radio.addEventListener("change", () => setUnits(radio.value));
    }
    for (const button of document.querySelectorAll("tr[data-row] button")) button.hidden = true;
    root.dataset.ready = "1";
    return;
  }
  root.dataset.gl = "on";
  const page = new Page(made);
  $("canvas").addEventListener("webglcontextlost", (event) => { event.preventDefault(); $("nogl").hidden = false; });
  $("canvas").addEventListener("webglcontextrestored", () => { $("nogl").hidden = true; page.request(); });
  fillStages(data);
  wire(page);
  if (data.live) page.live = live(page, data, state);
  page.setTheme(matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light");
  page.setStage(data.worst);
  page.resize();
  page.worst();
  page.setView("3d");
  fromAddress(page);
  page.render();
  globalThis.clearance = { page, state }; // for tests, and for whoever opens the browser's console
  root.dataset.ready = "1";
}

start();
