/** Whether what a module exports is a driver. What it says of itself is not believed: it may be plain JavaScript. */
import * as z from 'zod';
import { DRIVER_API_VERSION, type DriverDefinition } from '../../drivers/api.ts';
import { describe, firstLine, issueExplainer } from '../settings/explain-issue.ts';
import { formatPath } from '../settings/settings-fault.ts';

const aFunction = z.custom<unknown>((value) => typeof value === 'function', 'a function is needed');

/** All of `DriverDefinition` but its version, which is looked at first: another one may have other parts. */
const Definition = z.object({
  id: z.string().regex(/^[a-z][a-z0-9]*(-[a-z0-9]+)*$/, 'words of lower-case letters and digits are needed, joined with -, beginning with a letter'),
  title: z.string().min(1),
  optionsSchema: z.custom<unknown>(isZodSchema, 'a schema made with z of torsiond/driver is needed'),
  capabilities: z.object({
    delivery: z.enum(['pushed', 'polled', 'either']),
    identifies: z.boolean(),
    commands: z.array(z.enum(['zero', 'send'])),
    sendsCounts: z.boolean().optional(),
  }),
  channelCount: aFunction,
  delivery: aFunction.optional(),
  sampleRateHz: aFunction.optional(),
  dataSheetChannels: aFunction.optional(),
  createSession: aFunction,
}).superRefine(({ capabilities, delivery }, context) => {
  if (capabilities.delivery === 'either' && delivery === undefined) context.addIssue({ code: 'custom', path: ['delivery'], message: 'a function is needed that says what the options make of the delivery, because capabilities.delivery is "either"' });
});
const explainer = issueExplainer(Definition);

export interface ShapeCheck {
  readonly definitions: readonly DriverDefinition[];
  /** What is missing or wrong, each a sentence without its end. */
  readonly faults: readonly string[];
}

/** @param exported default export of a module: a driver or a list of drivers; undefined: it has none */
export function checkExport(exported: unknown): ShapeCheck {
  if (exported === undefined) return { definitions: [], faults: ['has no default export; a driver made by defineDriver is needed there, or a list of them'] };
  const list: readonly unknown[] = Array.isArray(exported) ? exported : [exported];
  if (list.length === 0) return { definitions: [], faults: ['has an empty list as its default export; a driver made by defineDriver is needed there, or a list of them'] };
  const definitions: DriverDefinition[] = [];
  const faults: string[] = [];
  list.forEach((entry, i) => {
    const index = list.length === 1 ? null : i;
    try {
      const found = definitionFaults(entry);
      if (found.length === 0) definitions.push(entry as DriverDefinition);
      else faults.push(...found.map((what) => `${nameOf(entry, index)} ${what}`));
    } catch (thrown) {
      faults.push(`${indexed(index)} throws when it is looked at: ${firstLine(thrown)}`);
    }
  });
  return { definitions, faults };
}

function nameOf(entry: unknown, index: number | null): string {
  const id = (entry as { id?: unknown } | null | undefined)?.id;
  if (typeof id === 'string') return `the driver ${describe(id)}`;
  return indexed(index);
}

function indexed(index: number | null): string {
  return index === null ? 'its default export' : `number ${index + 1} of its default export`;
}

function definitionFaults(value: unknown): readonly string[] {
  if (typeof value !== 'object' || value === null) return [`is ${describe(value)}; a driver made by defineDriver is needed there, or a list of them`];
  const { apiVersion } = value as { apiVersion?: unknown };
  if (!Number.isInteger(apiVersion)) {
    return [`does not say in apiVersion for which version of the driver interface it was written; this gateway has ${DRIVER_API_VERSION}`];
  }
  if (apiVersion !== DRIVER_API_VERSION) {
    return [`was written for version ${String(apiVersion)} of the driver interface, and this gateway has ${DRIVER_API_VERSION}; install a version of the driver written for ${DRIVER_API_VERSION}, or a torsiond that has ${String(apiVersion)}`];
  }
  const { error } = Definition.safeParse(value);
  return (error?.issues ?? []).flatMap((issue) => explainer.explain(issue, value)).map(({ path, message }) => `is not whole: ${formatPath(path)} ${message}`);
}

function isZodSchema(value: unknown): boolean {
  return typeof value === 'object' && value !== null && '_zod' in value && typeof (value as { safeParse?: unknown }).safeParse === 'function';
}
