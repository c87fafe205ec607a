#include "tickledger/entry.hpp"

namespace tickledger {

std::string_view name_of(EntryKind kind) {
    switch (kind) {
        case EntryKind::measured:
            return "measured";
        case EntryKind::restart:
            return "restart";
        case EntryKind::preset:
            return "preset";
        case EntryKind::lost:
            return "lost";
        case EntryKind::adjustment:
            return "adjustment";
        case EntryKind::reverse:
            return "reverse";
        case EntryKind::held:
            return "held";
    }
    return "unknown";
}

}  // namespace tickledger
