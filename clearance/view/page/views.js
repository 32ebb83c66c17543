// Owns the named views: where each looks from, what it must hold, and what it says of itself.
import { Vector3 } from "three";

const UP = new Vector3(0, 0, 1);
const SHORTENED = "A projected distance is foreshortened; every figure shown is a 3D distance.";

export function lookFrom(look, name, at) {
  const { data } = at;
  const along = new Vector3(data.direction[0], data.direction[1], 0);
  const across = new Vector3(data.direction[1], -data.direction[0], 0);
  const held = focus(at);
  const { middle, radius } = sphere(held);
  if (name === "plan") {
    parallel(look, held, middle, new Vector3(1, 0, 0), new Vector3(0, 1, 0));
    return `Plan, ${data.north} up. ${SHORTENED}`;
  }
  if (name === "elevation") {
    parallel(look, held, middle, along, UP);
    return `Elevation, along the line. ${SHORTENED}`;
  }
  if (name === "section") {
    parallel(look, held, middle, across, UP);
    return `Section, across the line: all of it is seen, not a slice. ${SHORTENED}`;
  }
  if (name === "eye") {
    const eye = at.step.eye ?? at.stage.eye?.[at.number];
    if (!eye) {
      turn(look, middle, radius, along);
      return "Nobody is aloft in this stage: seen from outside instead.";
    }
    look.eye(new Vector3(eye[0], eye[1], eye[2]), new Vector3(eye[3], eye[4], eye[5] + 0.15));
    return "From the worker's head. Distances cannot be judged by eye here.";
  }
  if (name === "true") {
    const k = at.row ?? at.here[0] ?? null;
    const row = k === null ? null : at.rows[k];
    if (!row?.air) {
      turn(look, middle, radius, along);
      return "True length needs a gap: go to a recorded instant first.";
    }
    const { ends, longest } = at.view.placesOf(row);
    const leg = Math.min(at.leg ?? longest, row.air.length - 1);
    const a = ends[2 * leg], b = ends[2 * leg + 1];
    const right = b.clone().sub(a).setZ(0);
    if (right.length() < 1e-6) right.copy(across);
    right.normalize();
    look.parallel(a.clone().add(b).multiplyScalar(0.5), Math.max(0.6, a.distanceTo(b) * 0.8), right, UP);
    return "True length: in this view only the line itself is to scale, from end to end.";
  }
  turn(look, middle, radius, along);
  return "Drag to turn, Shift and drag or two fingers to move, wheel or pinch to come nearer.";
}

function turn(look, middle, radius, along) {
  const room = new Vector3(0, 0, radius * 0.25); // for the buttons above
  look.turnAbout(middle.clone().add(room), Math.max(6, radius * 2.4), Math.atan2(along.y, along.x) - 0.95, 0.3);
}

function focus(at) {
  // The job: its gaps here, and the places of worker and ladder.
  const found = [];
  const { view, rows, here } = at;
  for (const k of here) if (rows[k].air && (rows[k].exact.gap ?? Infinity) < 15) found.push(...view.placesOf(rows[k]).ends);
  for (const [object] of view.riding) {
    if (object.userData.kind === "lead") continue;
    object.traverse((child) => {
      if (!child.isMesh || child.isLineSegments2 || !child.geometry.getAttribute("normal")) return;
      child.geometry.computeBoundingBox();
      const { min, max } = child.geometry.boundingBox;
      for (const corner of [min, max]) found.push(corner.clone().applyMatrix4(object.matrix));
    });
  }
  return found.length ? found : [new Vector3(-8, -8, 0), new Vector3(8, 8, 8)];
}

function sphere(points) {
  const low = points[0].clone(), high = points[0].clone();
  for (const p of points) { low.min(p); high.max(p); }
  return { middle: low.clone().add(high).multiplyScalar(0.5), radius: low.distanceTo(high) / 2 };
}

function parallel(look, points, middle, right, up) {
  // All points on the screen, with room for the buttons above.
  let half = 2;
  for (const p of points) {
    const away = p.clone().sub(middle);
    half = Math.max(half, Math.abs(away.dot(up)), (Math.abs(away.dot(right)) * look.height) / look.width);
  }
  half *= 1.38;
  look.parallel(middle.clone().addScaledVector(up, half * 0.1), half, right, up);
}
