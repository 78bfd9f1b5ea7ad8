"use strict";
// The page is whole without this: it lets the reader choose a step or an instant, and shows it everywhere.
(() => {
  const SVG = "http://www.w3.org/2000/svg";
  const made = (name, attributes) => {
    const element = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, String(value));
    return element;
  };

  function begin(section) {
    const data = JSON.parse(section.querySelector("script[type='application/json']").textContent);
    const controls = section.querySelector(".controls");
    const select = controls.querySelector("select");
    const slider = controls.querySelector("input");
    const said = controls.querySelector("output");
    const field = section.querySelector("[data-picture='field']");
    const time = section.querySelector("[data-picture='time']");
    const places = [...section.querySelectorAll("[data-step]")];
    controls.hidden = false;

    function choose(step) {
      const wanted = step === null ? "" : String(step);
      select.value = wanted;
      for (const place of places) {
        const on = place.dataset.step === wanted;
        place.classList.toggle("on", on);
        const head = place.tagName === "TR" ? place.cells[0] : null;
        if (head && on) head.setAttribute("aria-current", "step");
        else if (head) head.removeAttribute("aria-current");
      }
      said.value = step === null ? "" : data.steps[step - 1];
    }

    function nearest(at) {
      let best = 0;
      data.time.forEach((value, index) => {
        if (Math.abs(value - at) < Math.abs(data.time[best] - at)) best = index;
      });
      return best;
    }

    function seen(at) {
      const x = Number(time.dataset.left) + at * Number(time.dataset.per);
      const words = [];
      for (const strip of time.querySelectorAll("[data-sensor]")) {
        const view = [...strip.querySelectorAll(".view")].find((one) => {
          const left = Number(one.getAttribute("x"));
          return left <= x + 0.15 && x <= left + Number(one.getAttribute("width")) + 0.15;
        });
        const told = view ? view.textContent.replace(/^[^:]*: /, "") : "no reading";
        words.push(`${strip.dataset.sensor}: ${told}`);
      }
      return words;
    }

    function show(index) {
      const [x, y, heading] = data.pose[index];
      const [linearM, linearDeg] = data.linear[index];
      const [sampledM, sampledDeg] = data.sampled[index];
      const at = data.time[index];
      slider.value = String(index);
      const short = `${at.toFixed(2)} s, step ${data.step[index]}`;
      slider.setAttribute("aria-valuetext", short);
      said.value = `${short}: plan (${x.toFixed(2)}, ${y.toFixed(2)}) m, ${heading.toFixed(1)} deg. ` +
        `95 % error ${linearM.toFixed(1)} mm and ${linearDeg.toFixed(2)} deg by covariance, ` +
        `${sampledM.toFixed(1)} mm and ${sampledDeg.toFixed(2)} deg in trials. ${seen(at).join("; ")}.`;
      const line = time.querySelector("[data-cursor='time']");
      const where = Number(time.dataset.left) + at * Number(time.dataset.per);
      line.setAttribute("x1", where);
      line.setAttribute("x2", where);
      line.setAttribute("visibility", "visible");
      stand(index);
    }

    function stand(index) {
      const group = field.querySelector("[data-cursor='field']");
      const per = Number(field.dataset.per), factor = Number(field.dataset.factor);
      const px = (value) => Number(field.dataset.left) + (value - Number(field.dataset.x)) * per;
      const py = (value) => Number(field.dataset.base) - (value - Number(field.dataset.y)) * per;
      const [x, y, heading] = data.pose[index];
      const [mx, my, a, b, angle] = data.ellipse[index];
      const c = Math.cos(heading * Math.PI / 180), s = Math.sin(heading * Math.PI / 180);
      const corners = data.hull.map(([u, v]) => `${px(x + c * u - s * v)},${py(y + s * u + c * v)}`);
      const cx = px(x + factor * mx), cy = py(y + factor * my);
      group.replaceChildren(
        made("polygon", { points: corners.join(" "), class: "robot" }),
        made("line", { x1: px(x), y1: py(y), x2: px(x + 0.2 * c), y2: py(y + 0.2 * s), class: "robot" }),
        made("ellipse", { cx, cy, rx: a * factor * per, ry: b * factor * per, class: "ellipse",
          transform: `rotate(${-angle} ${cx} ${cy})` }),
      );
      group.setAttribute("visibility", "visible");
    }

    function instant(event) {
      const box = time.getBoundingClientRect();
      const x = (event.clientX - box.left) * time.viewBox.baseVal.width / box.width;
      return (x - Number(time.dataset.left)) / Number(time.dataset.per);
    }

    select.addEventListener("change", () => choose(select.value === "" ? null : Number(select.value)));
    for (const button of controls.querySelectorAll("button[data-go]")) {
      button.addEventListener("click", () => {
        const now = select.value === "" ? (button.dataset.go === "1" ? 0 : data.steps.length + 1) : Number(select.value);
        const next = now + Number(button.dataset.go);
        choose(next < 1 || next > data.steps.length ? null : next);
      });
    }
    section.addEventListener("keydown", (event) => {
      if (event.key === "Escape") choose(null);
    });
    section.addEventListener("click", (event) => {
      const link = event.target.closest("a[data-choose]");
      if (link) {
        event.preventDefault();
        choose(Number(link.dataset.choose));
        return;
      }
      const picked = event.target.closest("svg [data-step]");
      if (picked) choose(Number(picked.dataset.step));
    });
    // A plan that cannot be driven has steps and no instants.
    if (time && slider) {
      slider.addEventListener("input", () => show(Number(slider.value)));
      time.addEventListener("pointermove", (event) => {
        const at = instant(event);
        if (at >= 0 && at <= data.time[data.time.length - 1]) show(nearest(at));
      });
    }
  }

  document.documentElement.classList.add("enhanced");
  for (const section of document.querySelectorAll("section.case")) begin(section);
})();
