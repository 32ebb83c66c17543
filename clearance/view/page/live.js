// Owns the live page: free parameters, every pose asked of the engine that serves the page, and practice rounds.

const $ = (id) => document.getElementById(id);
// The end of a parameter's name, its unit, and what a key moves it by. Wind and air are the same on a page in feet.
const UNITS = [["_m_s", " m/s", 0.5], ["_deg", "°", 0.25], ["_C", " °C", 0.5], ["_m", " m", 0.05]];
const WEATHER = ["wind_m_s", "air_C"];

function unitOf(name) {
  const [end, unit, step] = UNITS.find(([end]) => name.endsWith(end));
  return { words: name.slice(0, -end.length).replace(/_/g, " "), unit, step };
}

function make(tag, text = "", more = {}) {
  const found = document.createElement(tag);
  found.textContent = text;
  for (const [name, value] of Object.entries(more)) found.setAttribute(name, value);
  return found;
}

export function live(page, data, state) {
  return new Live(page, data, state);
}

class Live {
  constructor(page, data, state) {
    Object.assign(this, { page, data, state });
    this.step = null;
    this.hidden = false;
    this.at = {};
    this.asking = false;
    this.again = false;
    this.practice();
  }

  setStage(number) {
    this.step = null;
    const stage = this.data.stages[number], ranges = this.data.live.ranges[number];
    this.at = {};
    for (const name of Object.keys(ranges)) if (!WEATHER.includes(name)) this.at[name] = stage.steps[0].at[name];
    this.sliders = new Map();
    $("free").replaceChildren(...Object.entries(ranges).map(([name, [low, high]]) => {
      const { words, unit, step } = unitOf(name);
      const label = make("label");
      const slider = make("input", "", { type: "range", min: low, max: high, step: "any", "data-name": name });
      const out = make("output");
      slider.value = String(this.at[name] ?? (low + high) / 2);
      slider.addEventListener("input", () => { this.at[name] = Number(slider.value); this.say(); this.ask(); });
      // A key moves by a round step, not by a part of the range.
      slider.addEventListener("keydown", (event) => {
        const way = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1 }[event.key];
        if (!way) return;
        event.preventDefault();
        slider.value = String(Math.max(low, Math.min(high, Number(slider.value) + way * step)));
        slider.dispatchEvent(new Event("input"));
      });
      label.append(make("span", words), slider, out);
      this.sliders.set(name, { slider, out, unit });
      return label;
    }));
    if (WEATHER.some((name) => name in ranges)) {
      const all = make("button", "All the weather the check took", { type: "button", id: "allweather" });
      all.addEventListener("click", () => { for (const name of WEATHER) delete this.at[name]; this.say(); this.ask(); });
      $("free").append(make("p", "", { id: "sky", class: "fine" }), all);
    }
    this.say();
    this.ask();
  }

  moveTo(at) {
    for (const [name, { slider }] of this.sliders) {
      // A recorded instant is one of all the weather at once.
      if (WEATHER.includes(name)) { delete this.at[name]; continue; }
      this.at[name] = at[name];
      slider.value = String(at[name]);
    }
    this.say();
    this.ask();
  }

  setUnits() { this.say(); this.least(); }

  say() {
    for (const [name, { slider, out, unit }] of this.sliders) {
      const feet = unit === " m" && this.state.units === "ft", weather = WEATHER.includes(name);
      const number = (value) => (feet ? value / this.data.foot_m : value).toFixed(weather ? 1 : 2);
      const text = this.at[name] === undefined
        ? `all, ${this.data.live.swept[name].join(" to ")}${unit}` : `${number(this.at[name])}${feet ? " ft" : unit}`;
      out.textContent = text;
      slider.setAttribute("aria-valuetext", text);
    }
  }

  async send(path, more = {}) {
    const answer = await fetch(path, {
      method: "POST", headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ stage: this.state.stage, at: this.at, ...more }),
    });
    const found = await answer.json();
    if (!answer.ok) throw new Error(found.error);
    return found;
  }

  async ask() {
    // One question at a time, and the last one always.
    if (this.asking) { this.again = true; return; }
    this.asking = true;
    const stage = this.state.stage;
    try {
      const began = performance.now();
      const step = await this.send("/pose");
      document.documentElement.dataset.answered = (performance.now() - began).toFixed(1);
      if (stage === this.state.stage) this.show(step);
    } catch (error) {
      this.step = null;
      this.least();
      $("steptext").textContent = `The engine did not answer for this pose: ${error.message}`;
      $("here").replaceChildren();
      this.page.request();
    }
    this.asking = false;
    if (this.again) { this.again = false; this.ask(); }
  }

  show(step) {
    const first = this.step === null;
    this.step = step;
    this.state.row = null;
    this.page.shown();
    if (first) this.page.setView(this.state.view);
    document.documentElement.dataset.pose = JSON.stringify(step.at);
    const sign = this.data.signs[step.word];
    if (!this.hidden) {
      $("word").dataset.word = step.word;
      $("word").textContent = `${sign} ${step.word} at this pose`;
    }
    if (step.outside.length) {
      $("steptext").textContent += ` (outside what was swept, so the result does not cover it: ${step.outside.map((n) => unitOf(n).words).join(", ")})`;
    }
    for (const [name, { out }] of this.sliders) out.parentElement.dataset.outside = String(step.outside.includes(name));
    if ($("sky")) $("sky").textContent = step.sky;
    this.least();
  }

  least() {
    // The least margin at this pose as one number, with its limit.
    const out = $("least"), k = this.step?.govern?.[0];
    out.replaceChildren();
    if (this.hidden || k === undefined) return;
    const row = this.step.found[k], u = this.state.units, [gap, limit, margin, short] = row[u];
    out.append(make("span", `${row.sign} ${row.word}`, { class: "badge", "data-word": row.word }));
    if (limit === "none") { out.append(` ${row.short}: gap ${gap} ${u}, no limit`); return; }
    out.append(make("b", short ? ` short by ${short} ${u}` : ` margin ${margin} ${u}`, { class: "figures" }));
    out.append(`, ${row.short}: gap ${gap} ${u}, limit ${limit} ${u}`);
  }

  practice() {
    const box = $("practice");
    const start = make("button", "Practice: hide what the engine says", { type: "button", "aria-pressed": "false", id: "start" });
    const name = make("input", "", { type: "text", id: "by", maxlength: 80, autocomplete: "off" });
    const label = make("label", "Trainee ", { for: "by" });
    const ask = make("button", "Show what the engine says", { type: "button", id: "reveal", hidden: "" });
    const said = make("p", "", { id: "said", "aria-live": "polite" });
    start.addEventListener("click", () => { this.hide(!this.hidden); });
    ask.addEventListener("click", async () => {
      try {
        const step = await this.send("/practice", { by: name.value });
        this.hide(false);
        this.show(step);
        said.textContent = `Round ${step.round}: ${this.data.signs[step.word]} ${step.word}${step.recorded ? ", recorded." : "; not recorded, no file was named."}`;
      } catch (error) {
        said.textContent = error.message;
      }
    });
    box.append(make("h2", "Practice"), start, " ", label, name, " ", ask, said);
  }

  hide(hidden) {
    this.hidden = hidden;
    document.documentElement.dataset.practice = hidden ? "on" : "off";
    $("start").setAttribute("aria-pressed", String(hidden));
    $("reveal").hidden = !hidden;
    this.least();
    $("said").textContent = hidden ? "Task: choose a stage, then place ladder and worker for it. Gaps, zones and figures are hidden." : "";
    if (hidden) { $("here").replaceChildren(); $("word").textContent = ""; }
    else this.page.told();
    this.page.request();
  }
}
