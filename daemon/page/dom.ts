/** Elements without a framework. */

type Attributes = Readonly<Record<string, string | number | boolean | null>>;
type Child = Node | string | null;

/** @param attributes `false` and `null` leave an attribute out, `true` sets it empty */
export function el<Tag extends keyof HTMLElementTagNameMap>(tag: Tag, attributes: Attributes = {}, ...children: Child[]): HTMLElementTagNameMap[Tag] {
  return fill(document.createElement(tag), attributes, children);
}

export function svg<Tag extends keyof SVGElementTagNameMap>(tag: Tag, attributes: Attributes = {}, ...children: Child[]): SVGElementTagNameMap[Tag] {
  return fill(document.createElementNS('http://www.w3.org/2000/svg', tag), attributes, children);
}

function fill<Node_ extends Element>(element: Node_, attributes: Attributes, children: readonly Child[]): Node_ {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === false || value === null) continue;
    element.setAttribute(name, value === true ? '' : String(value));
  }
  element.append(...children.filter((child) => child !== null));
  return element;
}

/** Parts with a dot between them; where the style says so, each stays on one line, with its dot. */
export function onOneLineEach(parts: readonly string[]): readonly (string | HTMLElement)[] {
  return parts.flatMap((part, i) => (i === parts.length - 1 ? [el('span', {}, part)] : [el('span', {}, `${part} ·`), ' ']));
}

/** Touches the page only when something changed, so that live values cost little and screen readers stay quiet. */
export function setText(element: Element, text: string): void {
  if (element.textContent !== text) element.textContent = text;
}

export function setAttribute(element: Element, name: string, value: string | null): void {
  if (element.getAttribute(name) === value) return;
  if (value === null) element.removeAttribute(name);
  else element.setAttribute(name, value);
}

export function setShown(element: HTMLElement, isShown: boolean): void {
  if (element.hidden === isShown) element.hidden = !isShown;
}
