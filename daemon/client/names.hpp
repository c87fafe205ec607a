// Shows the names that people gave to their meters beside the ids.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "client/cells.hpp"

namespace tickledger {

/// A meter's names from /v1/meters; empty: not configured.
struct NamedMeter {
    std::string id;
    std::string name;
    std::string group;
    std::string parent;
};

class Names {
public:
    Names() = default;
    /// Reads an answer of /v1/meters, in its order. Members that an older daemon does not send are empty.
    explicit Names(const Json& document);

    [[nodiscard]] const std::vector<NamedMeter>& meters() const { return meters_; }
    /// "house (Main meter)", or the id alone.
    [[nodiscard]] std::string label(const std::string& id) const;
    /// The ids of the meters with this name.
    [[nodiscard]] std::vector<std::string> ids_of(const std::string& name) const;
    /// A document of the API with labels in place of ids. Use it for tables only.
    [[nodiscard]] Json labelled(Json document) const;

private:
    std::vector<NamedMeter> meters_;
    std::map<std::string, std::string> labels_;
};

}  // namespace tickledger
