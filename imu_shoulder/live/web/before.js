// Before a set: the drill's postures as a drawing, and what is asked in a few words.
import { get, make, svg } from "./parts.js";

const drawn = new WeakMap();

function changed(box, what) {
  const key = JSON.stringify(what);
  if (drawn.get(box) === key) return false;
  drawn.set(box, key);
  return true;
}

function picture(view, box, radius) {
  const found = svg("svg", { viewBox: box.join(" "), "aria-hidden": "true" });
  const [cx, cy] = view.head;
  found.append(svg("circle", { class: "trunk", cx, cy, r: radius }));
  for (const [part, points, further] of view.lines) found.append(svg("polyline", { class: further ? `${part} further` : part, points }));
  return found;
}

// drawing: of the drill that is due; undefined where the server knows none.
export function before(drill, drawing) {
  const facts = get("facts");
  if (changed(facts, drill.facts)) {
    facts.replaceChildren(
      ...drill.facts.map(([name, text]) => {
        const line = make("div");
        line.append(make("dt", "", name), make("dd", "", text));
        return line;
      }),
    );
  }
  const figures = get("figures");
  if (!changed(figures, [drill.id, drill.number, drawing])) return;
  figures.dataset.count = drawing?.panels.length ?? 0;
  figures.replaceChildren(
    ...(drawing?.panels ?? []).map((panel) => {
      const box = make("figure");
      box.append(make("figcaption", "", panel.name));
      panel.views.forEach((view, place) => {
        const one = make("div", place === panel.telling ? "" : "less");
        one.append(picture(view, drawing.boxes[place], drawing.head), make("small", "", drawing.views[place]));
        box.append(one);
      });
      return box;
    }),
  );
}
