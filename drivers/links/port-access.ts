/** Whether this process may open a port, and what would have to change. */
import { constants } from 'node:fs';
import { access, readFile, stat } from 'node:fs/promises';
import { userInfo } from 'node:os';

export interface PortAccess {
  readonly mayOpen: boolean;
  /** Name, or the number where it has none. */
  readonly owner: string;
  readonly group: string;
  /** As in `crw-rw----`. */
  readonly mode: string;
  /** Groups of this process. */
  readonly ownGroups: readonly string[];
  /** What gives access, for a person to do. */
  readonly remedy: string;
}

/** @throws what `stat` throws when the node is not there */
export async function describePortAccess(node: string, folder = '/etc'): Promise<PortAccess> {
  const facts = await stat(node);
  const [mayOpen, users, groups] = await Promise.all([
    access(node, constants.R_OK | constants.W_OK).then(() => true, () => false),
    namesById(`${folder}/passwd`),
    namesById(`${folder}/group`),
  ]);
  const nameOf = (names: ReadonlyMap<number, string>, id: number): string => names.get(id) ?? String(id);
  const group = nameOf(groups, facts.gid);
  const own = new Set([...(process.getgid ? [process.getgid()] : []), ...(process.getgroups?.() ?? [])]);
  const user = currentUser();
  const groupMayOpen = (facts.mode & 0o060) === 0o060;
  const remedy = groupMayOpen && facts.gid !== 0
    ? `Run "sudo usermod -aG ${group} ${user}", then log in again (a service: restart it)`
    : `The port's own mode keeps others out; install the udev rule of config/udev, which gives it to the group dialout, then plug it in again and run "sudo usermod -aG dialout ${user}"`;
  return {
    mayOpen, group, owner: nameOf(users, facts.uid), mode: modeText(facts.mode, facts.isCharacterDevice()),
    ownGroups: [...own].map((id) => nameOf(groups, id)), remedy,
  };
}

/** One line for messages. */
export function portAccessText(access: PortAccess): string {
  return `${access.mode} owner ${access.owner} group ${access.group}; this process is in ${access.ownGroups.join(', ')}`;
}

function modeText(mode: number, isCharacterDevice: boolean): string {
  const letters = 'rwxrwxrwx';
  return (isCharacterDevice ? 'c' : '-') + [...letters].map((letter, i) => ((mode >> (8 - i)) & 1 ? letter : '-')).join('');
}

async function namesById(file: string): Promise<ReadonlyMap<number, string>> {
  const text = await readFile(file, 'utf8').catch(() => '');
  return new Map(text.split('\n').map((line) => line.split(':')).filter((fields) => fields.length > 2)
    .map((fields) => [Number(fields[2]), fields[0]!]));
}

function currentUser(): string {
  try {
    return userInfo().username;
  } catch {
    return String(process.getuid?.() ?? 'USER');
  }
}
