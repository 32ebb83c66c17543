// Owns the lists beside the picture: stages, gaps, layers, the marks of recorded instants.
import { LAYERS } from "./stage.js";

const $ = (id) => document.getElementById(id);

function make(tag, text = "", more = {}) {
  const found = document.createElement(tag);
  found.textContent = text;
  for (const [name, value] of Object.entries(more)) found.setAttribute(name, value);
  return found;
}

export function fillStages(data) {
  $("stage").replaceChildren(...data.stages.map((stage, k) => make("option", `${k + 1} ${stage.name}: ${stage.sign} ${stage.word}`, { value: k })));
}

export function fillMarks(stage) {
  // A mark above the slider for each recorded instant, by the worst word recorded there.
  const last = Math.max(1, stage.steps.length - 1);
  const order = ["breach", "undecided", "low margin", "clear of limit", "not evaluated"];
  $("marks").replaceChildren(...stage.steps.flatMap((step, k) => {
    if (!step.rows) return [];
    const word = order.find((w) => step.rows.some((r) => stage.rows[r].word === w));
    const mark = make("span", stage.rows[step.rows.find((r) => stage.rows[r].word === word)].sign, { "data-word": word });
    mark.style.left = `${(100 * k) / last}%`;
    return [mark];
  }));
}

export function fillGaps(list, rows, which, state, { jump, legs, instant, live }) {
  // Most steps have nothing recorded: an empty list that stays empty need not be laid out anew.
  if (!which.length && !list.firstChild && !live) return;
  const u = state.units;
  const sorted = [...which].sort((a, b) => (rows[a].exact.margin ?? Infinity) - (rows[b].exact.margin ?? Infinity));
  list.replaceChildren(...sorted.map((k) => {
    const row = rows[k], [gap, limit, margin, short] = row[u];
    const item = make("li");
    const button = make("button", "", { type: "button", class: "gap", "data-row": k });
    if (instant) button.setAttribute("aria-pressed", String(state.row === k));
    const head = make("span", "", { class: "head" });
    head.append(make("span", `${row.sign} ${row.word}`, { class: "badge", "data-word": row.word }), make("b", ` ${row.what}`));
    button.append(head);
    const judged = limit === "none" ? "no limit" : `limit ${limit} ${u}, ${short ? `short by ${short} ${u}` : `margin ${margin} ${u}`}`;
    button.append(make("span", `gap ${gap} ${u}, ${judged}`, { class: "figures" }));
    button.append(make("span", `${row.chain}${row.check ? `; ${row.check}` : ""}${row.within ? "; within survey error" : ""}${row.case ? `; ${row.case}` : ""}`, { class: "fine" }));
    button.addEventListener("click", () => jump(k));
    item.append(button);
    if (instant && row.air) {
      const tools = make("span", "", { class: "legs" });
      row.air.forEach((_, leg) => {
        if (Number(row.lengths[u][leg]) === 0) return; // what touches has no length to look at
        const name = row.air.length > 1 ? `True length of stretch ${leg + 1}: ${row.lengths[u][leg]} ${u}` : `True length: ${row.lengths[u][leg]} ${u}`;
        const see = make("button", name, { type: "button", class: "small" });
        see.addEventListener("click", () => legs(k, leg));
        tools.append(see);
      });
      item.append(tools);
    }
    return item;
  }));
  if (live && !sorted.length) list.replaceChildren(make("li", "No chain between two potentials passes the job here."));
}

export function fillLayers(data, state, changed) {
  const kinds = new Set(data.parts.map((part) => part.kind));
  const entries = [
    ["labels", "Names", null], ["gaps", "Gaps recorded at this step", null], ["others", "Other governing gaps of the stage", null],
    ...LAYERS.filter(([, , own]) => own.some((kind) => kinds.has(kind))),
  ];
  $("layers").replaceChildren(...entries.map(([id, words]) => {
    const label = make("label");
    const box = make("input", "", { type: "checkbox", id: `layer-${id}` });
    // The reach envelope shows where a gap of it is recorded; ticked, it shows always.
    box.checked = id === "reach" ? false : state.layers[id] !== false;
    box.addEventListener("change", () => {
      state.layers[id] = id === "reach" ? (box.checked ? "always" : undefined) : box.checked;
      changed();
    });
    label.append(box, ` ${words}`);
    return label;
  }));
}

export function setUnits(units) {
  document.documentElement.dataset.units = units;
  for (const radio of document.querySelectorAll("[name=units]")) radio.checked = radio.value === units;
}
