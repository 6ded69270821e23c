/** What the tests use of reference libraries that bring no types. */
declare module 'fili' {
  export class CalcCascades {
    lowpass(options: { order: number; characteristic: 'butterworth' | 'bessel'; Fs: number; Fc: number; preGain: boolean }): object[];
  }
  export class IirFilter {
    constructor(coefficients: object[]);
    multiStep(input: number[]): number[];
  }
}
declare module '@lhncbc/ucum-lhc' {
  export const UcumLhcUtils: {
    getInstance(): { convertUnitTo(from: string, value: number, to: string): { status: string; toVal: number | null } };
  };
}
