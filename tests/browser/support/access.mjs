// How servers are come into: their access tokens, by origin.
const tokens = new Map();

/** Keeps the access token of an address that `keepstill review` printed; the same address without it. */
export function keepAccess(printed) {
  const url = new URL(printed);
  const access = url.searchParams.get("access");
  if (access === null) throw new Error(`${printed} holds no access token`);
  tokens.set(url.origin, access);
  url.searchParams.delete("access");
  return url.href;
}

/** The address that lets a new browser in and leads on to `url`. */
export function entrance(url) {
  const way = new URL(url);
  const access = tokens.get(way.origin);
  if (access === undefined) throw new Error(`no server is known at ${way.origin}`);
  way.searchParams.set("access", access);
  return way.href;
}

/** What a program must send with each request: the cookie that a browser is given. */
export async function letIn(url) {
  const entered = await fetch(entrance(url));
  if (entered.status !== 200) throw new Error(`${url} lets nobody in: ${await entered.text()}`);
  return { Cookie: entered.headers.getSetCookie()[0].split(";")[0] };
}
