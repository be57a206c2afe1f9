// Times and marks in words.
export const OFFERED = "proposed";

const split = (s) => {
  const tenths = Math.round(Math.abs(s) * 10);
  return [s < 0 && tenths ? "−" : "", Math.floor(tenths / 600), (tenths % 600) / 10];
};

// 103.1 as 1:43.1, and 1:43 where whole is asked.
export function clock(s, whole = false) {
  const [sign, minutes, seconds] = split(whole ? Math.round(s) : s);
  return `${sign}${minutes}:${(whole ? seconds.toFixed(0) : seconds.toFixed(1)).padStart(whole ? 2 : 4, "0")}`;
}

export function spoken(s) {
  const [sign, minutes, seconds] = split(s);
  const parts = [];
  if (minutes) parts.push(`${minutes} minute${minutes === 1 ? "" : "s"}`);
  parts.push(`${seconds} second${seconds === 1 ? "" : "s"}`);
  return `${sign ? "minus " : ""}${parts.join(" ")}`;
}

// What somebody typed as a time, in seconds; null for what is none.
export function seconds(text) {
  const found = /^\s*([−-]?)(?:(\d+):)?(\d+(?:[.,]\d*)?)\s*$/.exec(text);
  if (!found) return null;
  const s = Number(found[2] ?? 0) * 60 + Number(found[3].replace(",", "."));
  return found[1] ? -s : s;
}

// What somebody typed as a number of zero or more, as its text; "" for nothing, null for what is none.
export function amount(text) {
  const bare = text.trim().replace(",", ".");
  return bare === "" || /^\d+(\.\d*)?$/.test(bare) ? bare : null;
}

export class Names {
  constructor(head) {
    this.types = new Map(head.types.map(({ name, title }) => [name, title]));
    this.drills = new Map(head.drills.map((drill) => [drill.name, drill]));
  }

  drill(name) {
    return this.drills.get(name)?.title ?? name;
  }

  // A mark's name: of its drill, or of what it is.
  of(span) {
    const { trial_type: type, drill } = span.cells;
    if (type !== "set") return this.types.get(type) ?? type;
    const name = drill ? this.drill(drill) : "Set";
    return span.offered && span.doubt?.maybe ? `Maybe: ${name}` : name;
  }

  arm({ cells: { side } }) {
    return side === "both" ? "both arms" : side ? `${side} arm` : "";
  }

  // All of it, as it is spoken.
  whole(span) {
    return [span.offered ? OFFERED : "", this.of(span), this.arm(span)].filter(Boolean).join(", ");
  }
}
