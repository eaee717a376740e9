-- For wrk: ranges of SIZE bytes at random places of COUNT, STEP bytes apart, the first at FIRST;
-- and at the end one line of figures that a program can read.

function init(args)
   if #args == 0 then return end
   local size, first, step, count = tonumber(args[1]), tonumber(args[2]), tonumber(args[3]), tonumber(args[4])
   math.randomseed(os.time())
   -- A global of this name makes wrk ask for each request; otherwise it writes one over and over.
   function request()
      local start = first + step * math.random(0, count - 1)
      wrk.headers["Range"] = string.format("bytes=%.0f-%.0f", start, start + size - 1)
      return wrk.format()
   end
end

function done(summary, latency, requests)
   local errors = summary.errors
   local broken = errors.connect + errors.read + errors.write + errors.timeout
   io.write(string.format("figures %d %d %d %d %d\n", summary.requests, summary.duration,
      summary.bytes, errors.status, broken))
end
