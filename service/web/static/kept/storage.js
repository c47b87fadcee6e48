// Whether the browser may remove what it keeps here when it is short of space.

/** Asks the browser to keep it; many decide by themselves how much the app is used. */
export async function askToKeep() {
  await navigator.storage?.persist?.().catch(() => false);
}

/** @returns {Promise<boolean>} */
export const isKeptForGood = async () => (await navigator.storage?.persisted?.().catch(() => false)) ?? false;
