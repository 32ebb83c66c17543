// Owns how a part becomes something drawn: rods to tubes, balls to spheres, faces to triangles, clouds to points.
import {
  BufferAttribute, BufferGeometry, DoubleSide, FrontSide, Group, LineBasicMaterial, LineSegments, Mesh, MeshBasicMaterial,
  MeshLambertMaterial, Points, PointsMaterial, SphereGeometry,
} from "three";
import { LineMaterial } from "three/examples/jsm/lines/LineMaterial.js";
import { LineSegments2 } from "three/examples/jsm/lines/LineSegments2.js";
import { LineSegmentsGeometry } from "three/examples/jsm/lines/LineSegmentsGeometry.js";
import { shadeOf } from "./splat.js";

// Neutral colours, for the light and the dark page: the colours of the words are kept for gaps and zones.
export const LOOKS = {
  ground: { light: 0xd3d9cf, dark: 0x2b322c },
  structure: { light: 0x6f7880, dark: 0x9aa4ad },
  solid: { light: 0x8d949a, dark: 0x7d868d },
  vehicle: { light: 0x767c82, dark: 0x8a9299 },
  cloud: { light: 0x4d6a52, dark: 0xa9c2ad },
  insulator: { light: 0x7a5a48, dark: 0xb08c76 },
  fitting: { light: 0x3c4248, dark: 0xc3cad0 },
  ladder: { light: 0xa08a5f, dark: 0xcdb98c },
  "insulating boom": { light: 0xa08a5f, dark: 0xcdb98c },
  boom: { light: 0x3c4248, dark: 0xc3cad0 },
  worker: { light: 0x3a4650, dark: 0xd5dde3 },
  tool: { light: 0x3a4650, dark: 0xd5dde3 },
  crew: { light: 0x5d6b61, dark: 0xb4c3b8 },
  rope: { light: 0x555555, dark: 0xbbbbbb },
  lead: { light: 0x666f77, dark: 0xaab3ba, opacity: 0.12 },
  "reach envelope": { light: 0x55616b, dark: 0xc6d0d8, opacity: 0.18 },
  wire: { light: 0x1c1c1c, dark: 0xf0f0f0 },
};

// Thin things keep a least width on the screen [px].
const THIN = { wire: 2.2, rope: 1.6, insulator: 2.5, ladder: 1.4 };
// These are many: plain lines of one pixel.
const HAIR = new Set(["structure"]);
const ROUND = new Set(["worker", "tool", "crew", "lead", "reach envelope", "vehicle"]);

export function floats(text) {
  return new Float32Array(bytes(text).buffer);
}

export function shorts(text) {
  return new Uint16Array(bytes(text).buffer);
}

export function bytes(text) {
  const raw = atob(text);
  const found = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) found[i] = raw.charCodeAt(i);
  return found;
}

export class Drawer {
  // Makes objects of parts, and keeps every material, so that a change of theme is a change of colours.
  constructor(software) {
    this.software = software; // drawn without a graphics card: every triangle counts
    this.theme = "light";
    this.materials = new Map();
    this.lineMaterials = new Map();
    this.size = { width: 1, height: 1 };
  }

  look(kind) {
    return LOOKS[kind] ?? LOOKS.solid;
  }

  material(kind, flat = false) {
    const key = `${kind}|${flat}`;
    if (!this.materials.has(key)) {
      const look = this.look(kind);
      // Rods and balls are closed, their insides never seen; faces may be seen from either side.
      const made = new MeshLambertMaterial({ color: look[this.theme], side: flat ? DoubleSide : FrontSide, flatShading: flat });
      if (look.opacity) Object.assign(made, { transparent: true, opacity: look.opacity, depthWrite: false });
      made.userData.kind = kind;
      this.materials.set(key, made);
    }
    return this.materials.get(key);
  }

  thin(kind) {
    if (!this.lineMaterials.has(kind)) {
      const made = new LineMaterial({ color: this.look(kind)[this.theme], linewidth: THIN[kind] });
      made.resolution.set(this.size.width, this.size.height);
      made.userData.kind = kind;
      this.lineMaterials.set(kind, made);
    }
    return this.lineMaterials.get(kind);
  }

  setTheme(theme) {
    this.theme = theme;
    for (const made of [...this.materials.values(), ...this.lineMaterials.values()]) {
      made.color.setHex(this.look(made.userData.kind)[theme]);
    }
  }

  setSize(width, height) {
    this.size = { width, height };
    for (const made of this.lineMaterials.values()) made.resolution.set(width, height);
  }

  part(part) {
    const group = new Group();
    group.userData = { name: part.name, kind: part.kind, potential: part.potential };
    if (part.rods) this.rods(group, floats(part.rods), part.kind);
    if (part.balls) this.balls(group, floats(part.balls), part.kind);
    if (part.faces) group.add(new Mesh(facesOf(floats(part.faces)), part.kind === "ground" ? this.plain("ground") : this.material(part.kind, true)));
    if (part.faces && part.kind === "ground") group.add(this.grid(floats(part.faces)));
    if (part.mesh) group.add(this.quantised(part.mesh, (g) => new Mesh(g, this.material(part.kind, true))));
    if (part.cloud) group.add(this.quantised(part.cloud, (g) => only(new Points(shaded(g), this.dots()), this.software ? "fine" : "")));
    group.traverse((child) => Object.assign(child.userData, { name: part.name, kind: part.kind }));
    return group;
  }

  rods(group, rods, kind) {
    const thin = this.software ? 3 : 5;
    const sides = kind === "structure" ? thin : ROUND.has(kind) ? (this.look(kind).opacity ? 10 : 14) : 8;
    group.add(new Mesh(tubes(rods, sides, ROUND.has(kind)), this.material(kind)));
    if (THIN[kind] || HAIR.has(kind)) {
      const ends = new Float32Array((rods.length / 7) * 6);
      for (let i = 0, k = 0; i < rods.length; i += 7, k += 6) ends.set(rods.subarray(i, i + 6), k);
      const fine = THIN[kind] ? new LineSegments2(new LineSegmentsGeometry().setPositions(ends), this.thin(kind)) : null;
      // Where pixels are twice as large, a line of one of them is as wide, and costs a fraction.
      if (fine) group.add(only(fine, this.software ? "fine" : ""));
      if (!fine || this.software) group.add(only(new LineSegments(lines(ends), this.hair(kind)), fine ? "coarse" : ""));
    }
  }

  balls(group, balls, kind) {
    for (let i = 0; i < balls.length; i += 4) {
      const ball = new Mesh(new SphereGeometry(Math.max(balls[i + 3], 0.02), 20, 14), this.material(kind));
      ball.position.set(balls[i], balls[i + 1], balls[i + 2]);
      group.add(ball);
    }
  }

  quantised(packed, make) {
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(shorts(packed.xyz), 3));
    const made = make(geometry);
    made.position.fromArray(packed.low);
    made.scale.fromArray(packed.step);
    return made;
  }

  plain(kind) {
    // A level ground fills the picture and has one brightness: no light is reckoned for it.
    const key = `${kind}|plain`;
    if (!this.materials.has(key)) {
      const made = new MeshBasicMaterial({ color: this.look(kind)[this.theme], side: DoubleSide });
      made.userData.kind = kind;
      this.materials.set(key, made);
    }
    return this.materials.get(key);
  }

  hair(kind) {
    const key = `${kind}|hair`;
    if (!this.materials.has(key)) {
      const made = new LineBasicMaterial({ color: this.look(kind)[this.theme] });
      made.userData.kind = kind;
      this.materials.set(key, made);
    }
    return this.materials.get(key);
  }

  dots() {
    if (!this.materials.has("dots")) {
      const made = new PointsMaterial({ color: this.look("cloud")[this.theme], size: 2, sizeAttenuation: false, vertexColors: true });
      made.userData.kind = "cloud";
      this.materials.set("dots", made);
    }
    return this.materials.get("dots");
  }

  grid(faces) {
    // Lines every ten metres on the plane of the first triangle, so that a level ground has a scale.
    const [ax, ay, az, bx, by, bz, cx, cy, cz] = faces;
    const ux = bx - ax, uy = by - ay, uz = bz - az, vx = cx - ax, vy = cy - ay, vz = cz - az;
    const nx = uy * vz - uz * vy, ny = uz * vx - ux * vz, nz = ux * vy - uy * vx;
    const height = (x, y) => (nz === 0 ? az : az - (nx * (x - ax) + ny * (y - ay)) / nz) + 0.01;
    const ends = [];
    for (let k = -60; k <= 60; k += 10) {
      ends.push(k, -60, height(k, -60), k, 60, height(k, 60), -60, k, height(-60, k), 60, k, height(60, k));
    }
    return new LineSegments(lines(new Float32Array(ends)), new LineBasicMaterial({ color: 0x8a948c, transparent: true, opacity: 0.5 }));
  }
}

function only(object, when) {
  // Drawn only while the picture is "fine", or only while it is "coarse"; "" for both.
  object.userData.when = when;
  return object;
}

function lines(ends) {
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(ends, 3));
  return geometry;
}

function shaded(geometry) {
  const xyz = geometry.getAttribute("position").array;
  const colours = new Uint8Array(xyz.length);
  for (let i = 0; i < xyz.length; i += 3) {
    colours[i] = colours[i + 1] = colours[i + 2] = shadeOf(xyz[i + 2]);
  }
  geometry.setAttribute("color", new BufferAttribute(colours, 3, true));
  return geometry;
}

function facesOf(corners) {
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(corners, 3));
  geometry.computeVertexNormals();
  return geometry;
}

export function tubes(rods, sides, caps) {
  const count = rods.length / 7;
  const rings = caps ? 4 : 1; // rings of each half: a capsule's half sphere, or the open end of a tube
  const around = [];
  for (let s = 0; s < sides; s++) around.push([Math.cos((2 * Math.PI * s) / sides), Math.sin((2 * Math.PI * s) / sides)]);
  const perRod = 2 * rings * sides;
  const position = new Float32Array(count * perRod * 3);
  const normal = new Float32Array(count * perRod * 3);
  const index = new Uint32Array(count * (2 * rings - 1) * sides * 6);
  let at = 0, face = 0;
  for (let r = 0; r < count; r++) {
    const [ax, ay, az, bx, by, bz, radius] = rods.subarray(7 * r, 7 * r + 7);
    let dx = bx - ax, dy = by - ay, dz = bz - az;
    const length = Math.hypot(dx, dy, dz);
    if (length > 0) { dx /= length; dy /= length; dz /= length; } else { dx = 0; dy = 0; dz = 1; }
    // Two directions across the rod.
    let ux, uy, uz;
    if (Math.abs(dz) < 0.9) { const n = Math.hypot(dx, dy); ux = -dy / n; uy = dx / n; uz = 0; }
    else { const n = Math.hypot(dy, dz); ux = 0; uy = dz / n; uz = -dy / n; }
    const vx = dy * uz - dz * uy, vy = dz * ux - dx * uz, vz = dx * uy - dy * ux;
    const first = at / 3;
    for (let k = 0; k < 2 * rings; k++) {
      const end = k < rings ? 0 : 1;
      const t = caps ? (k < rings ? -Math.PI / 2 + (Math.PI / 2) * (k / (rings - 1)) : (Math.PI / 2) * ((k - rings) / (rings - 1))) : 0;
      const across = Math.cos(t), along = Math.sin(t);
      const ox = end ? bx : ax, oy = end ? by : ay, oz = end ? bz : az;
      for (const [c, s] of around) {
        const nx = across * (c * ux + s * vx) + along * dx;
        const ny = across * (c * uy + s * vy) + along * dy;
        const nz = across * (c * uz + s * vz) + along * dz;
        position[at] = ox + radius * nx; normal[at++] = nx;
        position[at] = oy + radius * ny; normal[at++] = ny;
        position[at] = oz + radius * nz; normal[at++] = nz;
      }
    }
    for (let k = 0; k < 2 * rings - 1; k++) {
      for (let s = 0; s < sides; s++) {
        const a = first + k * sides + s, b = first + k * sides + ((s + 1) % sides);
        index.set([a, b, a + sides, b, b + sides, a + sides], face);
        face += 6;
      }
    }
  }
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(position, 3));
  geometry.setAttribute("normal", new BufferAttribute(normal, 3));
  geometry.setIndex(new BufferAttribute(index, 1));
  return geometry;
}
