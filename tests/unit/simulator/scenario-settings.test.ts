import { describe, expect, it } from 'vitest';
import { parse, stringify } from 'yaml';
import { scenarioSettingsInput } from '../../../daemon/commands/scenario-settings.ts';
import { gatewayChecks } from '../../../daemon/settings/default-checks.ts';
import { parseSettings } from '../../../daemon/settings/load-settings.ts';
import { Settings } from '../../../daemon/settings/schema.ts';
import { findDriver } from '../../../drivers/registry.ts';
import { addressText, listScenarios, loadScenario, startScenario } from '../../../simulator/index.ts';

describe('settings for a scenario', () => {
  it.each(listScenarios().map((entry) => entry.name))('%s: accepted by the schema and by the driver, with as many channels', async (name) => {
    const run = await startScenario(loadScenario(name), { portPreference: 'tcp' });
    try {
      // Written to a file and read back, as a user would.
      const text = stringify(scenarioSettingsInput(run));
      expect(parseSettings(text, gatewayChecks).faults).toEqual([]);
      const settings = Settings.parse(parse(text));
      for (const instrument of settings.instruments) {
        const driver = findDriver(instrument.driver.id);
        const options = driver.optionsSchema.parse(instrument.driver.options);
        expect(driver.channelCount(options)).toBe(instrument.channels.length);
        expect(instrument.simulated).toBe(true);
      }
    } finally {
      await run.stop();
    }
  });

  it('of a device in another unit are in N·m, as all of the scenario, and say what the device sends', async () => {
    const scenario = loadScenario('single-click-wrench');
    const [instrument] = scenario.instruments;
    const inFeet = { ...scenario, instruments: [{ ...instrument!, channels: [{ ...instrument!.channels[0]!, unit: '[lbf_av].[ft_i]' as const }] }] };
    const run = await startScenario(inFeet, { portPreference: 'tcp' });
    try {
      const [channel] = Settings.parse(scenarioSettingsInput(run)).instruments[0]!.channels;
      expect(channel).toMatchObject({ unit: 'N.m', deviceUnit: '[lbf_av].[ft_i]', transducer: { capacity: 60 }, capture: { unit: 'N.m', limits: { target: 50, low: 48, high: 52 } } });
    } finally {
      await run.stop();
    }
  });

  it('a port behind a device server stays one, with the baud rate of its instrument', async () => {
    const run = await startScenario(loadScenario('device-server'), { portPreference: 'tcp' });
    try {
      const links = Settings.parse(scenarioSettingsInput(run)).instruments.map((instrument) => instrument.link);
      expect(links).toMatchObject([{ kind: 'rfc2217', host: '127.0.0.1', baudRate: 230_400 }, { kind: 'rfc2217', baudRate: 19_200 }]);
      // Written as "torsiond probe" takes it: as plain TCP it would not be understood.
      expect(run.instruments.map(({ address }) => addressText(address))).toEqual(links.map((link) => (link.kind === 'rfc2217' ? `rfc2217://127.0.0.1:${link.port}` : '')));
      expect(new Set(links.map((link) => link.kind === 'rfc2217' && link.port)).size).toBe(2);
    } finally {
      await run.stop();
    }
  });
});
