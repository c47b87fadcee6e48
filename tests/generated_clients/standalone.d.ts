// What the app uses of htm's file, which has Preact and its hooks in it. What templates give, states and references are not followed.
type Ended = void | (() => unknown);
export function html(strings: TemplateStringsArray, ...values: unknown[]): any;
export function render(what: unknown, into: Element): void;
export function useCallback<T>(act: T, on: unknown[]): T;
export function useEffect(act: () => Ended, on?: unknown[]): void;
export function useLayoutEffect(act: () => Ended, on?: unknown[]): void;
export function useMemo<T>(make: () => T, on: unknown[]): T;
export function useRef(first: unknown): { current: any };
export function useState(first?: unknown): [any, (next: any) => void];
