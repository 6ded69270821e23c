/** Settings of the drivers `modbus-rtu` and `modbus-tcp`. */
import * as z from 'zod';
import { pollSchema } from '../../exchange/poll-options.ts';
import { READ_MAX, WRITE_MAX } from './codec.ts';
import { BYTE_ORDERS, REGISTER_TYPES, registerCount } from './register-map.ts';

const address = z.number().int().min(0).max(65_535);

function makeShape(unit: z.ZodDefault<z.ZodNumber>) {
  const Channel = z.strictObject({
    unit,
    function: z.union([z.literal(3), z.literal(4)]).default(3).describe('3: holding registers; 4: input registers.'),
    address: address.describe('First register, from 0 as in the message. Manuals that count from 1, or from 40001 or 30001, mean this plus 1.'),
    type: z.enum(REGISTER_TYPES).describe('i16, u16: one register; i32, u32, f32: two.'),
    order: z.enum(BYTE_ORDERS).default('ABCD').describe('Where the bytes of a big-endian number ABCD stand. ABCD is usual; CDAB sends the low register first; BADC and DCBA swap the bytes of each register too.'),
    scale: z.number().refine((scale) => scale !== 0, 'is 0, and every torque would be').default(1).describe('Torque = number × scale + offset, in the unit of the channel.'),
    offset: z.number().default(0).describe('See scale.'),
    overload: z.array(z.number()).max(8).default([]).describe('Numbers, before scaling, that stand for overload, for example 32767 and -32768.'),
  }).superRefine((channel, context) => {
    if (channel.address + registerCount(channel.type) > 65_536) context.addIssue({ code: 'custom', path: ['address'], message: 'the number reaches beyond register 65535' });
  });
  const Write = z.strictObject({
    unit,
    function: z.union([z.literal(6), z.literal(16)]).default(6).describe('6: one register; 16: several.'),
    address: address.describe('First register, from 0.'),
    values: z.array(address).min(1).max(WRITE_MAX).describe('What is written, register by register.'),
  }).superRefine((write, context) => {
    if (write.function === 6 && write.values.length !== 1) context.addIssue({ code: 'custom', path: ['values'], message: 'function 6 writes one register; take function 16' });
    if (write.address + write.values.length > 65_536) context.addIssue({ code: 'custom', path: ['values'], message: 'reaches beyond register 65535' });
  });
  return {
    poll: pollSchema(500, {}).describe('How often is asked.'),
    channels: z.array(Channel).min(1).max(32).describe('Where the torque of each channel stands.'),
    mergeGap: z.number().int().min(0).max(READ_MAX - 2).default(0).describe('Channels of one unit whose registers lie at most so many apart are read in one request. Some devices refuse to read registers that do not exist.'),
    commands: z.strictObject({
      zero: Write.optional().describe('Zeroes the device.'),
      start: Write.optional().describe('Written once before the first read.'),
      stop: Write.optional().describe('Written before the connection is closed; its answer is not awaited.'),
    }).prefault({}),
  };
}

export const ModbusRtuOptions = z.strictObject({
  ...makeShape(z.number().int().min(1).max(247).default(1).describe('Address of the unit on the bus.')),
  pauseMs: z.number().min(0).max(1_000).default(4).describe('Silence kept before each request, ms. At least 3.5 characters: 4 ms at 9600 baud, 1.75 ms from 19200 on.'),
});
export type ModbusRtuOptions = z.infer<typeof ModbusRtuOptions>;

export const ModbusTcpOptions = z.strictObject(makeShape(
  z.number().int().min(0).max(255).default(1).describe('Unit behind the address; devices that are alone there often take 255, 0 or 1.'),
));
export type ModbusTcpOptions = z.infer<typeof ModbusTcpOptions>;
