/**
 * Counters as Prometheus text, format 0.0.4. Names that end in `_total` are counters, all others gauges. Lines of one
 * name stand together, as the format demands; values that are no numbers are left out.
 */
export function prometheusText(sources: readonly ReadonlyMap<string, number>[]): string {
  const byName = new Map<string, string[]>();
  for (const source of sources) {
    for (const [key, value] of source) {
      const name = /^[a-zA-Z_:][a-zA-Z0-9_:]*/.exec(key)?.[0];
      if (name === undefined || !Number.isFinite(value)) continue;
      const lines = byName.get(name) ?? [];
      lines.push(`${key} ${value}`);
      byName.set(name, lines);
    }
  }
  const names = [...byName.keys()].sort();
  return names.map((name) => `# TYPE ${name} ${name.endsWith('_total') ? 'counter' : 'gauge'}\n${byName.get(name)!.join('\n')}\n`).join('');
}
