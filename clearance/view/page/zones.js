// Owns the zones: surfaces where the margin is nothing, those of the stage shown to choose from, one drawn at a time.
import { BufferAttribute, BufferGeometry, DoubleSide, Mesh, MeshLambertMaterial } from "three";
import { bytes } from "./parts.js";

const $ = (id) => document.getElementById(id);
const option = (value, text) => Object.assign(document.createElement("option"), { value, textContent: text });

export class Zones {
  constructor(scene, data, changed) {
    Object.assign(this, { data, scene, changed });
    this.made = new Map();
    this.chosen = null;
    this.entries = data.zones ?? [];
    $("zonebox").hidden = false;
    for (const element of [$("zone"), $("zone").previousElementSibling]) element.hidden = !this.entries.length;
    $("zone").addEventListener("change", () => this.choose($("zone").value));
  }

  setStage(stage) {
    if (!this.entries.length) {
      $("zoned").textContent = "No zones stand in this page: they were not asked for, or nobody goes aloft.";
      return;
    }
    // The person and the exposure that were chosen stay chosen where the stage has them.
    const title = this.chosen === null ? null : this.entries[this.chosen].title;
    const here = this.entries.map((zone, k) => [zone, k]).filter(([zone]) => zone.stages.includes(stage));
    this.empty = here.length ? "" : `Within ${this.data.zones_within_m} m of the place of work nobody's place is in a zone in this stage.`;
    $("zone").replaceChildren(option("", "none"), ...here.map(([zone, k]) => option(String(k), zone.title)));
    const same = here.find(([zone]) => zone.title === title);
    $("zone").value = same ? String(same[1]) : "";
    this.choose($("zone").value);
  }

  choose(value) {
    this.chosen = value === "" ? null : Number(value);
    const zone = this.entries[this.chosen];
    $("zoned").replaceChildren(...(zone ? this.words(zone) : [this.empty]).map((text) => Object.assign(document.createElement("span"), { textContent: `${text} ` })));
    if (zone) this.load(zone.surface).then(() => this.changed(), (error) => { $("zoned").textContent = `This zone cannot be shown: ${error.message}`; });
    this.changed();
  }

  words(zone) {
    return [
      `No margin is left inside; on the surface it is 0 m to ${zone.excess_m} m. Limits: ${zone.limits.join(", ")}.`,
      ...(Object.keys(this.data.live?.swept ?? {}).length ? ["Made for all the weather the check took, whatever is chosen here."] : []),
      ...(zone.cut ? ["Cut off at the edge of the region."] : []),
      ...zone.left_out.map((text) => `Not counted: ${text}.`),
    ];
  }

  async load(k) {
    // Unpacked when it is first shown.
    if (this.made.has(k)) return;
    const packed = this.data.surfaces[k];
    if (typeof DecompressionStream === "undefined") throw new Error("this browser cannot unpack it; a newer one can");
    const columns = await unpack(packed.xyz, Uint16Array);
    const turned = await unpack(packed.faces, packed.wide ? Uint32Array : Uint16Array);
    for (let i = 1; i < columns.length; i++) if (i % packed.corners) columns[i] += columns[i - 1];
    const count = turned.length / 3, faces = new turned.constructor(turned.length);
    for (let k = 0, first = 0; k < count; k++) {
      first += turned[k];
      faces[3 * k] = first; faces[3 * k + 1] = first + turned[count + k]; faces[3 * k + 2] = first + turned[2 * count + k];
    }
    const corners = new Uint16Array(columns.length);
    for (let i = 0; i < packed.corners; i++) {
      for (let axis = 0; axis < 3; axis++) corners[3 * i + axis] = columns[axis * packed.corners + i];
    }
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(corners, 3));
    geometry.setIndex(new BufferAttribute(faces, 1));
    const made = new Mesh(geometry, null);
    made.position.fromArray(packed.low);
    made.scale.fromArray(packed.step);
    made.renderOrder = 5;
    made.visible = false;
    this.scene.add(made);
    this.made.set(k, made);
  }

  material(exposure) {
    this.materials ??= {};
    this.materials[exposure] ??= new MeshLambertMaterial({
      color: this.data.colours[exposure === "phase-phase" ? "low margin" : "breach"], transparent: true, opacity: 0.28, side: DoubleSide, depthWrite: false, flatShading: true,
    });
    return this.materials[exposure];
  }

  show(visible) {
    for (const made of this.made.values()) made.visible = false;
    const zone = this.entries[this.chosen];
    const made = visible && zone ? this.made.get(zone.surface) : null;
    document.documentElement.dataset.zone = made ? zone.title : "";
    if (!made) return;
    made.material = this.material(zone.exposure);
    made.visible = true;
  }
}

async function unpack(text, Kind) {
  // Numbers whose lowest bytes come first, all of them, then all those above; the lowest first in memory as well.
  const stream = new Blob([bytes(text)]).stream().pipeThrough(new DecompressionStream("deflate"));
  const planes = new Uint8Array(await new Response(stream).arrayBuffer());
  const count = planes.length / Kind.BYTES_PER_ELEMENT, found = new Kind(count);
  for (let i = 0; i < planes.length; i++) found[i % count] |= planes[i] << (8 * Math.floor(i / count));
  return found;
}
