/** The error table of DEVELOPERS.md. */
import { ERROR_TABLE, type ErrorFacts } from '../../shared/error-table.ts';
import { markdownTable, type DocSection } from './doc-section.ts';

export const errorTable: readonly DocSection[] = [{
  file: 'DEVELOPERS.md',
  name: 'errors',
  render: () => markdownTable(['code', 'retry', 'exit', 'HTTP', 'hint'],
    Object.entries<ErrorFacts>(ERROR_TABLE).map(([code, facts]) => [`\`${code}\``, facts.retry, String(facts.exit), String(facts.http), facts.hint])),
}];
