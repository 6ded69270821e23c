export function median(values: readonly number[]): number {
  const sorted = [...values].sort((a, b) => a - b);
  const middle = sorted.length >> 1;
  return sorted.length % 2 === 1 ? sorted[middle]! : (sorted[middle - 1]! + sorted[middle]!) / 2;
}

/** Smallest and largest, for the detail of a line. */
export function spread(values: readonly number[], digits = 2): string {
  return `${Math.min(...values).toFixed(digits)} to ${Math.max(...values).toFixed(digits)}`;
}
