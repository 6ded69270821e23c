/** What a person would write where `probe` left something to fill in. */
const ANSWERS: Readonly<Record<string, unknown>> = {
  unit: 'N.m', capacity: 24, serialNumber: 'HF-T-0024 (invented)', mode: 'track', address: 0, type: 'i16', scale: 0.01,
};

/** The same settings with every mark to fill in replaced. */
export function filledIn<Value>(settings: Value): Value {
  const fill = (value: unknown, key: string): unknown => {
    if (Array.isArray(value)) return value.map((entry) => fill(entry, key));
    if (typeof value === 'object' && value !== null) return Object.fromEntries(Object.entries(value).map(([name, entry]) => [name, fill(entry, name)]));
    return typeof value === 'string' && value.startsWith('<fill in ') ? ANSWERS[key] : value;
  };
  return fill(settings, '') as Value;
}
