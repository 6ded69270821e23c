/** Colours for what is drawn on a canvas, taken from the style sheet, and told of when light and dark change. */
export interface Theme {
  readonly ink: string;
  readonly quiet: string;
  readonly line: string;
  readonly grid: string;
  readonly band: string;
  readonly edge: string;
  readonly accent: string;
  readonly paper: string;
  readonly font: string;
}

let known: Theme | null = null;

export function theme(): Theme {
  if (known) return known;
  const style = getComputedStyle(document.documentElement);
  const read = (name: string): string => style.getPropertyValue(name).trim();
  known = {
    ink: read('--ink'), quiet: read('--quiet'), line: read('--torque'), grid: read('--rule'), band: read('--band'),
    edge: read('--band-edge'), accent: read('--accent'), paper: read('--panel'), font: getComputedStyle(document.body).fontFamily,
  };
  return known;
}

export function onThemeChange(listener: () => void): void {
  matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => {
    known = null;
    listener();
  });
}
