// What else can be done now, as a list: one key goes to the next line, another takes it. A dialog is gone through alike.
import { get, make } from "./parts.js";

const dialogs = () => [get("menu"), get("end-dialog")];
const choices = (dialog) => [...dialog.querySelectorAll("button")];

export const openDialog = () => dialogs().find((dialog) => dialog.open) ?? null;

// items: [words, what it does], the first of them does nothing but close.
export function openMenu(items) {
  const menu = get("menu");
  get("menu-items").replaceChildren(
    ...items.map(([words, does]) => {
      const button = make("button", "", words);
      button.type = "button";
      button.addEventListener("click", () => {
        menu.close();
        does();
      });
      const line = make("li");
      line.append(button);
      return line;
    }),
  );
  menu.showModal();
  choices(menu)[0].focus({ focusVisible: true });
}

export function next(dialog, by = 1) {
  const all = choices(dialog);
  const at = all.indexOf(document.activeElement);
  all[(at + by + all.length) % all.length].focus({ focusVisible: true });
}

export function take(dialog) {
  const at = choices(dialog).indexOf(document.activeElement);
  if (at >= 0) choices(dialog)[at].click();
}
