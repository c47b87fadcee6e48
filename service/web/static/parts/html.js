// What the parts and views are made with.
export {
  html,
  render,
  useCallback,
  useEffect,
  useLayoutEffect,
  useMemo,
  useRef,
  useState,
} from "/app/vendor/htm/standalone.module.js";
