/** Where the page's token comes from: the gateway writes it into the page for its own machine, others type it in. */
import { PAGE_TOKEN_META } from '../../shared/wire/protocol.ts';
import { el } from './dom.ts';

const KEY = 'torsiond-token';

export function knownToken(): string {
  const given = tokenOf(document);
  return given !== '' ? given : readKept();
}

/**
 * The token that the gateway would write into the page now: it makes a new one at every start, and this page may have
 * been opened before. Empty when it gives none or is away.
 */
export async function freshToken(page: URL): Promise<string> {
  try {
    const response = await fetch(page, { cache: 'no-store' });
    return response.ok ? tokenOf(new DOMParser().parseFromString(await response.text(), 'text/html')) : '';
  } catch {
    return '';
  }
}

const tokenOf = (page: Document): string => page.querySelector<HTMLMetaElement>(`meta[name="${PAGE_TOKEN_META}"]`)?.content ?? '';

export function forgetToken(): void {
  try {
    sessionStorage.removeItem(KEY);
  } catch {
    // Storage is off: nothing was kept.
  }
}

/** Asks for a token until one is given; kept for this tab only. */
export function askForToken(host: HTMLElement, why: string | null, onToken: (token: string) => void): void {
  const input = el('input', { id: 'token', name: 'token', type: 'password', autocomplete: 'off', spellcheck: 'false', required: true });
  const form = el('form', { class: 'access' },
    el('h1', {}, 'Access to this station'),
    el('p', {}, 'This page needs an access token. Whoever runs the station makes one with ', el('code', {}, 'torsiond token create --scope operate'), '.'),
    why === null ? null : el('p', { class: 'access-why', role: 'alert' }, why),
    el('label', { for: 'token' }, 'Token'),
    input,
    el('button', { type: 'submit' }, 'Open'),
  );
  form.addEventListener('submit', (event) => {
    event.preventDefault();
    const token = input.value.trim();
    if (token === '') return;
    keep(token);
    form.remove();
    onToken(token);
  });
  host.replaceChildren(form);
  input.focus();
}

function readKept(): string {
  try {
    return sessionStorage.getItem(KEY) ?? '';
  } catch {
    return '';
  }
}

function keep(token: string): void {
  try {
    sessionStorage.setItem(KEY, token);
  } catch {
    // Storage is off: the token lives as long as this page.
  }
}
