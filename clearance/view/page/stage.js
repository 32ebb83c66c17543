// Owns what is drawn of a stage at a step: parts that stand, parts that ride, bodies that bend, and the gaps' lines.
import { Group, Vector3 } from "three";
import { LineMaterial } from "three/examples/jsm/lines/LineMaterial.js";
import { LineSegments2 } from "three/examples/jsm/lines/LineSegments2.js";
import { LineSegmentsGeometry } from "three/examples/jsm/lines/LineSegmentsGeometry.js";
import { floats } from "./parts.js";

export const LAYERS = [
  ["wires", "Wires", ["wire"]],
  ["structures", "Structures, insulators, solids", ["structure", "insulator", "fitting", "solid"]],
  ["ground", "Ground", ["ground"]],
  ["cloud", "Scan points", ["cloud"]],
  ["ladder", "Ladder, boom and ropes", ["ladder", "insulating boom", "boom", "rope"]],
  ["worker", "Worker and crew", ["worker", "tool", "crew", "vehicle"]],
  ["lead", "Space the bonding lead can be in", ["lead"]],
  ["reach", "Reach envelope", ["reach envelope"]],
];

const LAYER_OF = new Map(LAYERS.flatMap(([id, , kinds]) => kinds.map((kind) => [kind, id])));

export function layerOf(kind) {
  return LAYER_OF.get(kind) ?? "structures";
}

export class StageView {
  constructor(scene, drawer, data) {
    Object.assign(this, { scene, drawer, data });
    this.made = new Map();
    this.root = new Group();
    this.bent = new Group();
    this.lines = new Group();
    scene.add(this.root, this.bent, this.lines);
    this.riding = [];
    this.lineMaterials = new Map();
    this.drawn = [];
    this.offset = new Vector3().fromArray(data.offset);
  }

  partObject(index) {
    if (!this.made.has(index)) this.made.set(index, this.drawer.part(this.data.parts[index]));
    return this.made.get(index);
  }

  setStage(stage) {
    this.root.clear();
    this.riding = [];
    for (const index of stage.still) this.root.add(this.partObject(index));
    for (const ride of stage.riding) {
      const object = this.partObject(ride.part);
      object.matrixAutoUpdate = false;
      this.root.add(object);
      this.riding.push([object, ride.link]);
    }
    this.clouds = [];
    this.root.traverse((child) => { if (child.isPoints) this.clouds.push(child); });
    this.frames = stage.links ? floats(stage.links) : new Float32Array(0);
    this.links = stage.steps.length ? this.frames.length / (12 * stage.steps.length) : 0;
  }

  setStep(step, number) {
    const own = step.links ? floats(step.links) : null;
    for (const [object, link] of this.riding) {
      const at = own ? 12 * link : 12 * (number * this.links + link);
      const f = own ?? this.frames;
      object.matrix.set(
        f[at], f[at + 1], f[at + 2], f[at + 3], f[at + 4], f[at + 5], f[at + 6], f[at + 7], f[at + 8], f[at + 9], f[at + 10],
        f[at + 11], 0, 0, 0, 1,
      );
      object.matrixWorldNeedsUpdate = true;
    }
    for (const child of this.bent.children) child.traverse((c) => c.geometry?.dispose());
    this.bent.clear();
    for (const part of step.bent ?? []) this.bent.add(this.drawer.part(part));
    // What has a shape of its own at this step is not drawn as the stage has it.
    this.replaced = new Set((step.bent ?? []).map((part) => part.name));
  }

  show(layers, hideWorker) {
    for (const object of [...this.root.children, ...this.bent.children]) {
      const layer = layerOf(object.userData.kind);
      const own = object.parent === this.bent || !this.replaced?.has(object.userData.name);
      object.visible = own && layers[layer] !== false && !(hideWorker && ["worker", "reach", "lead"].includes(layer) && object.userData.kind !== "crew");
    }
  }

  refine(fine) {
    // What is drawn in one way while the picture is coarse, and in another once it is fine.
    const shown = (child) => { if (child.userData.when) child.visible = (child.userData.when === "fine") === fine; };
    this.root.traverse(shown);
    this.bent.traverse(shown);
  }

  lineMaterial(key, make) {
    if (!this.lineMaterials.has(key)) {
      const made = new LineMaterial({ depthTest: false, transparent: true, ...make });
      made.resolution.set(this.drawer.size.width, this.drawer.size.height);
      this.lineMaterials.set(key, made);
    }
    return this.lineMaterials.get(key);
  }

  setSize(width, height) {
    for (const made of this.lineMaterials.values()) made.resolution.set(width, height);
  }

  setLines(rows, ink, theme) {
    // Every stretch of air as a coloured line in an outline; bodies crossed on the way as a thin dashed one.
    const wanted = [theme, ...rows.flatMap(({ row, other }) => [row, other])];
    if (wanted.length === this.drawn.length && wanted.every((item, k) => item === this.drawn[k])) return;
    this.drawn = wanted;
    for (const child of this.lines.children) child.geometry.dispose();
    this.lines.clear();
    rows.forEach(({ row, other }, place) => {
      const outline = this.lineMaterial(`outline|${theme}`, { color: ink, linewidth: 7 });
      const core = this.lineMaterial(row.word, { color: this.data.colours[row.word], linewidth: 4 });
      const far = this.lineMaterial(`other|${row.word}`, {
        color: this.data.colours[row.word], linewidth: 3, dashed: true, dashSize: 0.18, gapSize: 0.12,
      });
      const through = this.lineMaterial(`through|${theme}`, {
        color: ink, linewidth: 1.5, dashed: true, dashSize: 0.08, gapSize: 0.06,
      });
      if (!other) this.add(row.air, outline, 20 + 2 * place);
      this.add(row.air, other ? far : core, 21 + 2 * place);
      if (row.over.length) this.add(row.over, through, 19);
    });
  }

  add(legs, material, order) {
    const ends = legs.flatMap((leg) => [0, 3].flatMap((k) => [0, 1, 2].map((i) => leg[k + i] - this.data.offset[i])));
    const made = new LineSegments2(new LineSegmentsGeometry().setPositions(ends), material);
    made.computeLineDistances();
    made.renderOrder = order;
    this.lines.add(made);
  }

  placesOf(row) {
    // Ends of every stretch, and the middle of the longest.
    const ends = row.air.flatMap((leg) => [
      new Vector3(leg[0], leg[1], leg[2]).sub(this.offset), new Vector3(leg[3], leg[4], leg[5]).sub(this.offset)]);
    let longest = 0, best = -1;
    row.air.forEach((leg, k) => {
      const length = ends[2 * k].distanceTo(ends[2 * k + 1]);
      if (length > best) { best = length; longest = k; }
    });
    return { ends, middle: ends[2 * longest].clone().add(ends[2 * longest + 1]).multiplyScalar(0.5), longest };
  }
}

