export { pullCorpus, CORPUS_RATES_HZ } from './pull-corpus.ts';
export { FAMILIES, FAMILY_SIZES, type Family } from './families.ts';
export { recordToCsv, type CorpusCycle, type CorpusRecord } from './record.ts';
