// Work spread over threads of the processor.
#pragma once

#include <algorithm>
#include <cstddef>
#include <exception>
#include <mutex>
#include <system_error>
#include <thread>
#include <vector>

namespace nearkey {

// Does `work` in as many threads as asked for, this one among them: no more than there is work for, nor than a few for
// each of the processor's. What one of them throws is thrown here, after all have ended.
template <typename Work> void in_threads(int asked, std::size_t chunks, const Work &work) {
    const std::size_t processors = std::max(1u, std::thread::hardware_concurrency());
    const std::size_t most = std::min({static_cast<std::size_t>(std::max(1, asked)), 4 * processors, chunks});
    std::exception_ptr fault;
    std::mutex guard;
    const auto guarded = [&] {
        try {
            work();
        } catch (...) {
            const std::scoped_lock lock(guard);
            if (!fault) fault = std::current_exception();
        }
    };
    {
        std::vector<std::jthread> pool;
        pool.reserve(most);
        try {
            while (pool.size() + 1 < most) pool.emplace_back(guarded);
        } catch (const std::system_error &) {
            // The system gives no more threads: those there are do the work.
        }
        guarded();
    }
    if (fault) std::rethrow_exception(fault);
}

}  // namespace nearkey
